"""Predictions of a change to a job against the job that was really run with the change."""
