"""Frame (x Plan) -> Measurement: pure functions on arrays, no files touched."""
