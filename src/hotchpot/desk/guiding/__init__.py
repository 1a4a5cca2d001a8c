"""The guided tests as use-cases: one question after another, drafts that survive, the reading written down."""
