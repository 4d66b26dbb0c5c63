"""panels."""
