"""What a posterior means to a pilot: trust, partial panel, decisions, what to look at next, and the reasons."""
