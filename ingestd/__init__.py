"""Takes customers' drives at an ingest station from plugged in to released."""

__version__ = "0.1.0"
