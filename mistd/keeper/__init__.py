"""The keeper: the one small process that holds the output lines, and the way to speak with it."""
