"""From takes to a mix."""
