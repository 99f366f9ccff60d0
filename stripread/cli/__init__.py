"""The command line: thin shells that parse, call one thing of the packages below, and print."""
