"""What a designer shows of an alternative: drawings."""
