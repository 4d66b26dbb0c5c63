"""sheet."""
