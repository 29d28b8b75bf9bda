"""What the panel should do: parameters, light and temperature to a curve."""
