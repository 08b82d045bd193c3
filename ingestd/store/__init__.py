"""Where data goes."""
