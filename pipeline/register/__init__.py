"""The register: sites, planes, devices, installers."""
