"""What outcomes teach: conjugate priors and the sums that update them. Pure."""
