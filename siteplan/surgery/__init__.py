"""How does a fixture get there? Kit, drilling card, torque forecast, seating guidance and record."""
