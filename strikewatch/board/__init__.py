"""The site manager's room: who may ask, what they may ask for, and how the processor is doing."""
