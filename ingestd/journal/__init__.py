"""What survives: facts, load states, manifests, parts and the outbox, in SQLite."""
