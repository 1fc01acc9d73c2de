"""A simulated extrusion line for foamed coaxial cores, with its truth. For tests and demonstrations; it models no real plant."""
