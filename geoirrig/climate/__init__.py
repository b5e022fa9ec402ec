"""Climate records made into evapotranspiration and rain of the mean year."""
