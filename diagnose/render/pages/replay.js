"use strict";
// The flight again, for the debrief: the deck alone, all of it seen, nothing to call.
deck.state.furthest = deck.data.seconds;
deck.start({});
