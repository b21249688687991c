"""The walk after a storm: which covers, by whom, in which order, and what people change of it. Pure."""
