"""Tables, the one transaction of a step, recordings of shifts."""
