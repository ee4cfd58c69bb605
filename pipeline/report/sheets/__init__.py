"""One-page documents beside the fleet report: for a vehicle, a driver, a model, a month, a stop."""
