"""The functional core: frozen values in, frozen values out.

Nothing here does input or output, reads a clock, draws a random number, starts a thread or writes a
log line. Time is a field of the event that is being handled.
"""
