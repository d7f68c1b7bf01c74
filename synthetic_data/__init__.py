"""An invented network of clinics with known truth, and one open data set."""
