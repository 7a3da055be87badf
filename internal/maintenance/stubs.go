package maintenance

func (t *step) trait(b *Trait)               {}
func (t *step) remark(b *Remark)             {}
func (t *step) remarkWord(b *RemarkWord)     {}
func (t *step) walk(b *Walk)                 {}
func (t *step) settingsLeft(b *SettingsLeft) {}
func (t *step) causeFound(b *CauseFound)     {}

func (s *State) suitsTrait(b *Trait) *fault           { return nil }
func (s *State) suitsRemark(b *Remark) *fault         { return nil }
func (s *State) suitsRemarkWord(b *RemarkWord) *fault { return nil }
func (s *State) suitsWalk(b *Walk) *fault             { return nil }
func (s *State) suitsSettings(b *SettingsLeft) *fault { return nil }
func (s *State) suitsCause(b *CauseFound) *fault      { return nil }
