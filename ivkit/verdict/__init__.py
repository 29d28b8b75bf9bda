"""What follows: measurement against prediction, and what to do."""
