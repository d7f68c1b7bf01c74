"""What is done: pure stages from frames to frames and results."""
