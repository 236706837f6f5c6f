"""Playing as it happens: threads, queues, reconnecting."""
