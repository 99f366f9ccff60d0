"""What a treatment does to a water: simulated, with what it brings, how long it lasts and what to mind."""
