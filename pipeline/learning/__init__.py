"""Stage: what the fleet's own data teach, fitted per week on the weeks up to it."""
