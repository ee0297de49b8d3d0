"""Floor 3: forces and contact; rooms hold settings and call kernels."""
