package lubrication

// DrivenSpeed gives the speed of a belt's driven shaft in thousandths of a
// revolution a minute: driver speed x (driver diameter / driven diameter) x
// (1 - slip). Speed is thousandths of a revolution a minute, 0 to MostSpeed;
// diameters are those on which the belt runs, in one unit, above 0 and up to
// MostPulley; slip is parts per million, 0 to 1,000,000.
func DrivenSpeed(driver, driverDiameter, drivenDiameter, slip int64) (int64, error) {
	if err := checkDrive(driver, 0, driverDiameter, drivenDiameter); err != nil {
		return 0, err
	}
	if err := within("slip", slip, 0, Whole, "parts per million"); err != nil {
		return 0, err
	}
	return nearest("driven speed", []int64{driver, driverDiameter, Whole - slip}, []int64{drivenDiameter, Whole})
}

// Slip gives a belt's slip in parts per million from the speeds of both shafts
// (thousandths of a revolution a minute; driver above 0, driven 0 or more, up
// to MostSpeed) and the diameters, as in DrivenSpeed. It is negative where the
// driven shaft turns faster than the diameters allow: they are then not those on
// which the belt runs.
func Slip(driver, driverDiameter, drivenDiameter, driven int64) (int64, error) {
	if err := checkDrive(driver, 1, driverDiameter, drivenDiameter); err != nil {
		return 0, err
	}
	if err := within("driven speed", driven, 0, MostSpeed, "thousandths of a revolution a minute"); err != nil {
		return 0, err
	}
	// Without rounding before the end: 1 - driven x d2 / (driver x d1).
	part, err := nearest("slip", []int64{driven, drivenDiameter, Whole}, []int64{driver, driverDiameter})
	if err != nil {
		return 0, err
	}
	return Whole - part, nil
}

func checkDrive(driver, least, driverDiameter, drivenDiameter int64) error {
	if err := within("driver speed", driver, least, MostSpeed, "thousandths of a revolution a minute"); err != nil {
		return err
	}
	if err := within("driver diameter", driverDiameter, 1, MostPulley, "millionths of a millimetre, where the belt runs"); err != nil {
		return err
	}
	return within("driven diameter", drivenDiameter, 1, MostPulley, "millionths of a millimetre, where the belt runs")
}
