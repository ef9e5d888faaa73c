"""What was played and handed to the desk: a recording as a sheet's melody, and a tune written down from one."""
