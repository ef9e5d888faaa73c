"""What is handed out."""
