"""One module a command; each is imported only when its command is called."""
