"""One sitting: feed, seeking, captures, stacks; all state, input and output of a screen."""
