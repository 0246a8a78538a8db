"""Where one machine is too small: the same pure function over parts of the fleet, with the same answer to the last digit."""
