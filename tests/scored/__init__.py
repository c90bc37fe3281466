"""Whether findings name the known causes of jobs, and whether mending gains what they say."""
