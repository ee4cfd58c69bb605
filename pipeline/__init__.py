"""Cold Minutes: weekly reports of charging minutes lost to cold batteries."""
