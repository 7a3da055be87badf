package maintenance

func (t *step) trait(b *Trait)               {}
func (t *step) attachment(b *Attachment)     {}
func (t *step) confirmed(b *Confirmed)       {}
func (t *step) remark(b *Remark)             {}
func (t *step) remarkWord(b *RemarkWord)     {}
func (t *step) walk(b *Walk)                 {}
func (t *step) settingsLeft(b *SettingsLeft) {}
func (t *step) causeFound(b *CauseFound)     {}
func (t *step) gunMeasured(b *GunMeasured)   {}
func (t *step) handedOver(b *HandedOver)     {}

func (s *State) suitsTrait(b *Trait) *fault           { return nil }
func (s *State) suitsAttachment(b *Attachment) *fault { return nil }
func (s *State) suitsConfirmed(b *Confirmed) *fault   { return nil }
func (s *State) suitsRemark(b *Remark) *fault         { return nil }
func (s *State) suitsRemarkWord(b *RemarkWord) *fault { return nil }
func (s *State) suitsWalk(b *Walk) *fault             { return nil }
func (s *State) suitsSettings(b *SettingsLeft) *fault { return nil }
func (s *State) suitsCause(b *CauseFound) *fault      { return nil }
