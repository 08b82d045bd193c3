"""What needs privilege, and nothing else: a handful of verbs, in this process or in a helper's."""
