"""The imperative shell: configuration, the loop, effects, the command line."""
