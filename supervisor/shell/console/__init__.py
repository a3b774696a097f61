"""What a person types at a terminal: one `add(commands)` for each subcommand, and what they share."""
