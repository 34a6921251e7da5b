"""Questions of the working day answered by the physics and the chain: wheels, pressures, plans, places."""
