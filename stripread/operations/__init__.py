"""What is done at sites: recorded work, decisions and orders, machines and their ledger, commissioning."""
