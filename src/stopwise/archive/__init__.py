"""An archive of years, measured frame by frame into a ledger: here or on a cluster."""
