"""How the program and the machine it runs on are: what works, what does not and what to do, the log, a bug report."""
