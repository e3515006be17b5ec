"""Practice on the ground: flown scenarios, the tabletop and the drill."""
