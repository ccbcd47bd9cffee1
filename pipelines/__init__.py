"""What a shop runs: tables and store, learning, predicting, reports, the command line."""
