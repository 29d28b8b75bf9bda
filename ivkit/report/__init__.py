"""Results as text, figures and a page."""
