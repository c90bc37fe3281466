"""What is concluded from all other questions: promises kept or broken, and findings."""
