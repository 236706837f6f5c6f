"""Sessions on disk."""
