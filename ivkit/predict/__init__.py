"""What should be read here, and how sure is that: the one place that answers it."""
