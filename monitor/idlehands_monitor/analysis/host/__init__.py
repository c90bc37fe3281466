"""The host's figures of the processes of a job."""
