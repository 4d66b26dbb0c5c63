"""workflow."""
