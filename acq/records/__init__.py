"""Runs and their findings, kept: tables, migrations, ledger, delivery, history, export."""
