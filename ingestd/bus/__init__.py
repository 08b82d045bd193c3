"""Messages in and out: the codec, the spool folder."""
