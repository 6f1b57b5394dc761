"""Trials on printed coupons: which runs a ladder holds, where each stands, and what was measured on them."""
