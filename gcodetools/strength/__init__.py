"""How strong regions are, and how sure that is: physics and a material put together, sampled over their doubt."""
