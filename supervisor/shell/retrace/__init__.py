"""What happened again from its journal: proved the same, explained, asked otherwise, and packed for somebody to look at."""
