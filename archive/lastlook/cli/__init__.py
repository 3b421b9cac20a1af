"""The terminal: one module a command group. The only place where words are printed and exit codes decided."""
