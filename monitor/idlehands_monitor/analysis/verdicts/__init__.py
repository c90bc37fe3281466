"""The conclusions from all other questions: promises kept or broken, and findings."""
