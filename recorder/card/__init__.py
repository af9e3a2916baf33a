"""The card for the wall as a page: where each command stands, and the files that print it."""
