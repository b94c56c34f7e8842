"""Haarline's application: from a site's files to verified alternatives for a misting system."""
