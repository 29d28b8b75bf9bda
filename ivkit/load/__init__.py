"""What takes the power: where a load works on a panel's curve."""
