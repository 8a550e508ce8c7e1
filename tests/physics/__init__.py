"""An independent physical model of breakers at work, with labels, to score the blank-firing detector against."""
