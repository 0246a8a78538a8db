"""The service plan: which visits, in which weeks, so that little is travelled and paid, little is risked and cover stays."""
