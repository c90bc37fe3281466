"""Who steals from whom, how hard work is to find, and how victims are chosen."""
