"""What did I measure: raw readings to a sweep with its uncertainty."""
