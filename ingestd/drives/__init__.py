"""Drives at the bays: who they are, which volumes they hold, reading them without altering them."""
