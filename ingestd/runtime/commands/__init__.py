"""The commands, a module for each group of them; `cli.py` puts them together."""
