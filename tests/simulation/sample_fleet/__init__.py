"""The simulator behind sample_exports."""
