"""The prompt in a terminal, and the same commands through a pipe."""
