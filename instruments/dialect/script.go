package dialect

// Script is a list of commands that grows capability by capability; the first
// thing that cannot be said spoils all of it.
type Script struct {
	table    *Table
	commands []string
	err      error
}

// Script begins an empty list.
func (t *Table) Script() *Script { return &Script{table: t} }

// Set adds the commands of a capability.
func (s *Script) Set(capability string, values Values) *Script {
	commands, err := s.table.Set(capability, values)
	if s.err == nil {
		s.err = err
	}
	s.commands = append(s.commands, commands...)
	return s
}

// May adds the commands of a capability if the instrument has it.
func (s *Script) May(capability string, values Values) *Script {
	if s.table.Has(capability) {
		return s.Set(capability, values)
	}
	return s
}

// Ask adds the query of a capability.
func (s *Script) Ask(capabilities ...string) *Script {
	for _, c := range capabilities {
		query, err := s.table.Ask(c, nil)
		if s.err == nil {
			s.err = err
		}
		s.commands = append(s.commands, query)
	}
	return s
}

// Units returns the list, or the first reason why there is none.
func (s *Script) Units() ([]string, error) {
	if s.err != nil {
		return nil, s.err
	}
	return s.commands, nil
}
