"""Reading what isn't a tape's reading: tables, charts, traced drawings, photographs."""
