"""The register: which sites there are, and what was agreed and set at commissioning."""

from pipeline.register_model import TARGETS, Device, Installer, Plane, Register, Site

__all__ = ["TARGETS", "Device", "Installer", "Plane", "Register", "Site"]
