"""What stands behind the commands of cli.py, one file each."""
