"""Made-up garages: one vehicle, drives before and after a change, and the change that is true."""
