"""One file a schema. A released one is never edited."""
