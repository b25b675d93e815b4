"""An attempt beside its plan, what it lost, how the athlete slows, and the next plan."""
