"""Record types: sites, materials, evidence, accounts, terms."""
