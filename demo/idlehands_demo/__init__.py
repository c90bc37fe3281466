"""The demonstration: a work-stealing pool and an invented harbour authority's tide archive."""
