package combinesim

// Drive is a belt or chain drive between two shafts.
type Drive uint8

const (
	// FanDrive is the belt from the fan shaft to the fan.
	FanDrive Drive = iota
	// ElevatorDrive is the chain from the cleaning drive to the elevator shaft.
	ElevatorDrive
	// MainDrive is the belt from the engine to the cleaning drive.
	MainDrive
	// RotorDrive is the belt from the engine to the rotor.
	RotorDrive

	drives = int(RotorDrive) + 1
)

// DriveInfo describes a drive: driven speed = driver speed x ratio x (1 - slip).
type DriveInfo struct {
	Drive          Drive
	Name           string
	Driver, Driven Signal
	// RatioPPM is the nominal ratio in millionths.
	RatioPPM int64
}

// nominalPPM are the ratios; of usual size, no source.
var nominalPPM = [drives]int64{FanDrive: 880_000, ElevatorDrive: 720_000, MainDrive: 310_000, RotorDrive: 370_000}

// Drives describes the drives as data, in the order of the Drive constants.
func Drives() []DriveInfo {
	return []DriveInfo{
		{FanDrive, "fan", FanShaft, FanSpeed, nominalPPM[FanDrive]},
		{ElevatorDrive, "elevator", CleaningDrive, ElevatorShaft, nominalPPM[ElevatorDrive]},
		{MainDrive, "main", EngineSpeed, CleaningDrive, nominalPPM[MainDrive]},
		{RotorDrive, "rotor", EngineSpeed, RotorSpeed, nominalPPM[RotorDrive]},
	}
}

// String is the drive's name in [Drives].
func (d Drive) String() string {
	if int(d) < drives {
		return Drives()[d].Name
	}
	return "no such drive"
}

const (
	// LoadedPPM is the crop feed, in millionths of the nominal, from which a step
	// counts as under load in the truth.
	LoadedPPM = 200_000
	// creepPPM is lost by a sound drive at nominal feed.
	creepPPM = 4_000
	// bitePPM and fullPPM: below the one a slipping drive holds, above the other
	// all its slip shows.
	bitePPM, fullPPM = 100_000, 500_000
	defaultMostPPM   = 250_000
)

// driveState is what a drive has come to.
type driveState struct {
	slipPPM, lowPPM int64 // as the faults have it now, slip at full load
	ratioPPM        int64 // with the present load
}

// wear brings a drive's faults to the time t after the start.
func (w *world) wear(t int64) {
	f := &w.cfg.Faults
	for d := range w.drive {
		w.drive[d].slipPPM, w.drive[d].lowPPM = 0, 0
	}
	for i, s := range f.Slipping {
		if t < int64(s.From) {
			continue
		}
		if w.feed >= LoadedPPM && w.locked {
			w.slipMS[i] += stepMS
		}
		most := s.MostPPM
		if most == 0 {
			most = defaultMostPPM
		}
		w.drive[s.Drive].slipPPM += min(s.StartPPM+s.RatePPM*w.slipMS[i]/Hour, most)
	}
	for _, s := range f.Riding {
		if t < int64(s.From) {
			continue
		}
		shift := s.ShiftPPM
		if run := t - int64(s.From); run < int64(s.Over) {
			shift = shift * (run / 1e6) / (int64(s.Over) / 1e6)
		}
		w.drive[s.Drive].lowPPM += shift
	}
}

// ratios works out every drive's ratio at the present feed.
func (w *world) ratios() {
	share := min(max(w.feed-bitePPM, 0), fullPPM-bitePPM) * 1000 / (fullPPM - bitePPM) // thousandths
	for d := range w.drive {
		s := &w.drive[d]
		slip := min(creepPPM*w.feed/million+s.slipPPM*share/1000, 950_000)
		low := min(s.lowPPM, 900_000)
		s.ratioPPM = nominalPPM[d] * (million - low) / million * (million - slip) / million
	}
}
