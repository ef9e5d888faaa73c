"""What is heard at the desk: streamed from any bar, never a whole render."""
