"""headpass: measures what a four-head videotape deck left in a digitised transfer."""

__version__ = "0.1.0"
