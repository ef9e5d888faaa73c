"""What an ABC file says, and how a tune is written as one."""
