"""What the commands return: frozen records, no drawing."""
