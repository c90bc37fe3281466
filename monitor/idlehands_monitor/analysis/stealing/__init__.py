"""Which worker steals from which, how hard work is to find, and how victims are chosen."""
