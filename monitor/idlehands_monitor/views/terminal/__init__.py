"""The terminal view: drawing (pure) and the Textual widgets that put it on the screen."""
