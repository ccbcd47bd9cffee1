"""Predict how a garment screen print will look, and how sure that prediction is."""
