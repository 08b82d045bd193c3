"""Logs, metrics and the status picture."""
