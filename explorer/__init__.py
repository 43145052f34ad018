"""Setup-space explorer: exact sensitivity, fronts and a shortlist over a parts box, through a cornering model."""
