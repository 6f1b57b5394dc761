"""Pictures made of plates and of what was done to them."""
