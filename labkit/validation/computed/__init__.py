"""The published cases computed with the package, one module a topic: each goes through the public face where it can."""
