"""What the teacher's file asks for."""
