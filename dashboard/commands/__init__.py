"""The command line: one file a command, each importing what is heavy only when it runs."""
