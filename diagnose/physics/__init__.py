"""What the gauges of a light aircraft show, from the motion and the state of their sources."""
