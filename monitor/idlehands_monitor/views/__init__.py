"""Views: each takes a reading and draws it. No view computes what a reading does not say."""
