"""What is written about courses, appointments and recalls: one command for each change."""
