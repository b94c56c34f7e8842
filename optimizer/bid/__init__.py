"""What a bid needs of an alternative: its quantities."""
