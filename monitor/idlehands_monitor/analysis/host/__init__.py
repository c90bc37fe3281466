"""What the host reported of the processes of a job."""
