package reference

// Oftens lists how often a sign is seen, most often first.
func Oftens() []Often { return oftens.ids() }

// Bys lists what it takes to tell two entries apart, easiest first.
func Bys() []By { return bys.ids() }

// Standings lists what a destination list can rest on.
func Standings() []Standing { return standings.ids() }
