"""How an instrument sounds: ducts, openings, tone holes, window, network, resonances."""
