package preconditions

type entry struct{}

func Registry() []Spec { return nil }
