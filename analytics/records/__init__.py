"""What was recorded: the store, what may come in, and what changed when by whom."""
