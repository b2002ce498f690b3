package orchestrator

// needsHand says what a person has to do about a handset, a sentence each, the most urgent
// first; beside what it waits for, what has stopped its run and why it is set aside.
func (d *Daemon) needsHand(s HandsetStatus) []string {
	var list []string
	if o := s.Owed; o != nil && o.Tries > 0 {
		list = append(list, "its settings are "+o.Say(s.Name))
	}
	return list
}
