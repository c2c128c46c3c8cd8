"""What was done and seen at the sites, as entries, and what follows from them for the next plan."""
