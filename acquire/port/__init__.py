"""The port's geometry, and coefficients on its areas."""
