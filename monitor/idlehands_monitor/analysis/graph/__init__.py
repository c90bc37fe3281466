"""The task graph of a window: work, span, and the bounds that follow from them."""
