"""Damaged and hostile files, seeded, against everything that reads a file from outside: `make fuzz`."""
