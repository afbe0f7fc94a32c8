"""The plan: schema, reading, expansion to cells, order of the night, forecast."""
