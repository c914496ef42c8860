"""What readings mean: pure functions of settings and readings; CO2 physics and slope fits."""
