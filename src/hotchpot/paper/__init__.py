"""Drawings for paper and page: what the core found out, as SVG; nothing is worked out here."""
