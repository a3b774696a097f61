"""Who may say what: the operators file, how commands are signed, and what is refused."""
