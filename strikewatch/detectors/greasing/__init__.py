"""Manual and automatic greasing."""
