"""Mixed-effects model with one random intercept: fit, degrees of freedom, contrasts."""
