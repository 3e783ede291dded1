"""One simulator of PV and battery sites for every bench: weather, roofs, houses, faults, meters and exports."""
