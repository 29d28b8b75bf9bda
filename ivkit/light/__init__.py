"""What falls on the panel: lamp or sun to the irradiance that the cells can use."""
