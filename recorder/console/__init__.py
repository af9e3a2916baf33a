"""What a person at the terminal of a running station sees and types."""
