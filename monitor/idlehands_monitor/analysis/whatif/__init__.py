"""What a change would gain: the recorded run as a program, and a simulator that runs it again."""
