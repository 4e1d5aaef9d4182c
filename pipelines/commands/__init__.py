"""The work behind the commands of cli.py, one file each; failures.py turns errors into exit codes."""
