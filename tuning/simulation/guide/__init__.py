"""The guide of events: one picture of each event; `python -m tuning.simulation.guide.make` draws them."""
