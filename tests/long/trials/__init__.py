"""The processor is made to suffer; what had to hold is looked at, and figures say how it went."""
