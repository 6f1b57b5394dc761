"""The command line: thin files, one a command, over `jobs`."""
