package j1939

// parameters is read only: fields of a Bus point into it. Places, scales and offsets of the groups up to 65276 but the
// four below are those of j1939da-extract.csv and j1939da-slots.csv of Equipment-and-Tool-Institute/j1939-84 @0713c31;
// 65091 and 65092 (power take-off shafts), 65096 and 65097 (wheel and ground speed), all ISO 11783-7, are those that
// public group lists print (1860 is from memory).
var parameters = [...]Parameter{

	// 61443 EEC2
	{558, "Accelerator Pedal 1 Low Idle Switch", 61443, 1, 1, 2, Linear{1, 0, 1}, ""},
	{559, "Accelerator Pedal Kickdown Switch", 61443, 1, 3, 2, Linear{1, 0, 1}, ""},
	{1437, "Road Speed Limit Status", 61443, 1, 5, 2, Linear{1, 0, 1}, ""},
	{2970, "Accelerator Pedal 2 Low Idle Switch", 61443, 1, 7, 2, Linear{1, 0, 1}, ""},
	{91, "Accelerator Pedal Position 1", 61443, 2, 1, 8, Linear{2, 0, 5}, "%"},
	{92, "Engine Percent Load At Current Speed", 61443, 3, 1, 8, Linear{1, 0, 1}, "%"},
	{974, "Remote Accelerator Pedal Position", 61443, 4, 1, 8, Linear{2, 0, 5}, "%"},
	{29, "Accelerator Pedal 2 Position", 61443, 5, 1, 8, Linear{2, 0, 5}, "%"},
	{2979, "Vehicle Acceleration Rate Limit Status", 61443, 6, 1, 2, Linear{1, 0, 1}, ""},
	{5021, "Momentary Engine Maximum Power Enable Feedback", 61443, 6, 3, 2, Linear{1, 0, 1}, ""},
	{5399, "DPF Thermal Management Active", 61443, 6, 5, 2, Linear{1, 0, 1}, ""},
	{5400, "SCR Thermal Management Active", 61443, 6, 7, 2, Linear{1, 0, 1}, ""},
	{3357, "Actual Maximum Available Engine - Percent Torque", 61443, 7, 1, 8, Linear{2, 0, 5}, "%"},
	{5398, "Estimated Pumping - Percent Torque", 61443, 8, 1, 8, Linear{1, -125, 1}, "%"},

	// 61444 EEC1
	{899, "Engine Torque Mode", 61444, 1, 1, 4, Linear{1, 0, 1}, ""},
	{4154, "Actual Engine - Percent Torque (Fractional)", 61444, 1, 5, 4, Linear{1, 0, 8}, "%"},
	{512, "Driver's Demand Engine - Percent Torque", 61444, 2, 1, 8, Linear{1, -125, 1}, "%"},
	{513, "Actual Engine - Percent Torque", 61444, 3, 1, 8, Linear{1, -125, 1}, "%"},
	{190, "Engine Speed", 61444, 4, 1, 16, Linear{1, 0, 8}, "rpm"},
	{1483, "Source Address of Controlling Device for Engine Control", 61444, 6, 1, 8, Linear{1, 0, 1}, "source address"},
	{1675, "Engine Starter Mode", 61444, 7, 1, 4, Linear{1, 0, 1}, ""},
	{2432, "Engine Demand - Percent Torque", 61444, 8, 1, 8, Linear{1, -125, 1}, "%"},

	// 65091 RPTO
	{1883, "Rear PTO Output Shaft Speed", 65091, 1, 1, 16, Linear{1, 0, 8}, "rpm"},
	{1885, "Rear PTO Output Shaft Speed Set Point", 65091, 3, 1, 16, Linear{1, 0, 8}, "rpm"},
	{5156, "Rear PTO Engagement Request Status", 65091, 5, 1, 2, Linear{1, 0, 1}, ""},
	{1892, "Rear PTO Economy Mode", 65091, 5, 3, 2, Linear{1, 0, 1}, ""},
	{1890, "Rear PTO Mode", 65091, 5, 5, 2, Linear{1, 0, 1}, ""},
	{2408, "Rear PTO Engagement", 65091, 5, 7, 2, Linear{1, 0, 1}, ""},

	// 65092 FPTO
	{1882, "Front PTO Output Shaft Speed", 65092, 1, 1, 16, Linear{1, 0, 8}, "rpm"},
	{1884, "Front PTO Output Shaft Speed Set Point", 65092, 3, 1, 16, Linear{1, 0, 8}, "rpm"},
	{1888, "Front PTO Engagement", 65092, 5, 7, 2, Linear{1, 0, 1}, ""},

	// 65096 WBSD
	{1862, "Wheel-Based Machine Speed", 65096, 1, 1, 16, Linear{1, 0, 1000}, "m/s"},
	{1863, "Wheel-Based Machine Distance", 65096, 3, 1, 32, Linear{1, 0, 1000}, "m"},
	{1864, "Wheel-Based Machine Direction", 65096, 8, 1, 2, Linear{1, 0, 1}, ""},
	{1865, "Key Switch State", 65096, 8, 3, 2, Linear{1, 0, 1}, ""},

	// 65097 GBSD
	{1859, "Ground-Based Machine Speed", 65097, 1, 1, 16, Linear{1, 0, 1000}, "m/s"},
	{1860, "Ground-Based Machine Distance", 65097, 3, 1, 32, Linear{1, 0, 1000}, "m"},
	{1861, "Ground-Based Machine Direction", 65097, 8, 1, 2, Linear{1, 0, 1}, ""},

	// 65244 IO
	{236, "Engine Total Idle Fuel Used", 65244, 1, 1, 32, Linear{1, 0, 2}, "l"},
	{235, "Engine Total Idle Hours", 65244, 5, 1, 32, Linear{1, 0, 20}, "h"},

	// 65248 VD
	{244, "Trip Distance", 65248, 1, 1, 32, Linear{1, 0, 8}, "km"},
	{245, "Total Vehicle Distance", 65248, 5, 1, 32, Linear{1, 0, 8}, "km"},

	// 65253 HOURS
	{247, "Engine Total Hours of Operation", 65253, 1, 1, 32, Linear{1, 0, 20}, "h"},
	{249, "Engine Total Revolutions", 65253, 5, 1, 32, Linear{1000, 0, 1}, "r"},

	// 65254 TD
	{959, "Seconds", 65254, 1, 1, 8, Linear{1, 0, 4}, "s"},
	{960, "Minutes", 65254, 2, 1, 8, Linear{1, 0, 1}, "min"},
	{961, "Hours", 65254, 3, 1, 8, Linear{1, 0, 1}, "h"},
	{963, "Month", 65254, 4, 1, 8, Linear{1, 0, 1}, "month"},
	{962, "Day", 65254, 5, 1, 8, Linear{1, 0, 4}, "days"},
	{964, "Year", 65254, 6, 1, 8, Linear{1, 1985, 1}, "year"},
	{1601, "Local minute offset", 65254, 7, 1, 8, Linear{1, -125, 1}, "min"},
	{1602, "Local hour offset", 65254, 8, 1, 8, Linear{1, -125, 1}, "h"},

	// 65255 VH
	{246, "Total Vehicle Hours", 65255, 1, 1, 32, Linear{1, 0, 20}, "h"},
	{248, "Total Power Takeoff Hours", 65255, 5, 1, 32, Linear{1, 0, 20}, "h"},

	// 65257 LFC1
	{182, "Engine Trip Fuel", 65257, 1, 1, 32, Linear{1, 0, 2}, "l"},
	{250, "Engine Total Fuel Used", 65257, 5, 1, 32, Linear{1, 0, 2}, "l"},

	// 65262 ET1
	{110, "Engine Coolant Temperature", 65262, 1, 1, 8, Linear{1, -40, 1}, "°C"},
	{174, "Engine Fuel 1 Temperature 1", 65262, 2, 1, 8, Linear{1, -40, 1}, "°C"},
	{175, "Engine Oil Temperature 1", 65262, 3, 1, 16, Linear{1, -8736, 32}, "°C"},
	{176, "Engine Turbocharger 1 Oil Temperature", 65262, 5, 1, 16, Linear{1, -8736, 32}, "°C"},
	{52, "Engine Intercooler Temperature", 65262, 7, 1, 8, Linear{1, -40, 1}, "°C"},
	{1134, "Engine Charge Air Cooler Thermostat Opening", 65262, 8, 1, 8, Linear{2, 0, 5}, "%"},

	// 65263 EFL/P1
	{94, "Engine Fuel Delivery Pressure", 65263, 1, 1, 8, Linear{4, 0, 1}, "kPa"},
	{22, "Engine Extended Crankcase Blow-by Pressure", 65263, 2, 1, 8, Linear{1, 0, 20}, "kPa"},
	{98, "Engine Oil Level", 65263, 3, 1, 8, Linear{2, 0, 5}, "%"},
	{100, "Engine Oil Pressure 1", 65263, 4, 1, 8, Linear{4, 0, 1}, "kPa"},
	{101, "Engine Crankcase Pressure 1", 65263, 5, 1, 16, Linear{1, -32000, 128}, "kPa"},
	{109, "Engine Coolant Pressure 1", 65263, 7, 1, 8, Linear{2, 0, 1}, "kPa"},
	{111, "Engine Coolant Level 1", 65263, 8, 1, 8, Linear{2, 0, 5}, "%"},

	// 65265 CCVS1
	{69, "Two Speed Axle Switch", 65265, 1, 1, 2, Linear{1, 0, 1}, ""},
	{70, "Parking Brake Switch", 65265, 1, 3, 2, Linear{1, 0, 1}, ""},
	{1633, "Cruise Control Pause Switch", 65265, 1, 5, 2, Linear{1, 0, 1}, ""},
	{3807, "Park Brake Release Inhibit Request", 65265, 1, 7, 2, Linear{1, 0, 1}, ""},
	{84, "Wheel-Based Vehicle Speed", 65265, 2, 1, 16, Linear{1, 0, 256}, "km/h"},
	{595, "Cruise Control Active", 65265, 4, 1, 2, Linear{1, 0, 1}, ""},
	{596, "Cruise Control Enable Switch", 65265, 4, 3, 2, Linear{1, 0, 1}, ""},
	{597, "Brake Switch", 65265, 4, 5, 2, Linear{1, 0, 1}, ""},
	{598, "Clutch Switch", 65265, 4, 7, 2, Linear{1, 0, 1}, ""},
	{599, "Cruise Control Set Switch", 65265, 5, 1, 2, Linear{1, 0, 1}, ""},
	{600, "Cruise Control Coast (Decelerate) Switch", 65265, 5, 3, 2, Linear{1, 0, 1}, ""},
	{601, "Cruise Control Resume Switch", 65265, 5, 5, 2, Linear{1, 0, 1}, ""},
	{602, "Cruise Control Accelerate Switch", 65265, 5, 7, 2, Linear{1, 0, 1}, ""},
	{86, "Cruise Control Set Speed", 65265, 6, 1, 8, Linear{1, 0, 1}, "km/h"},
	{976, "PTO Governor State", 65265, 7, 1, 5, Linear{1, 0, 1}, ""},
	{527, "Cruise Control States", 65265, 7, 6, 3, Linear{1, 0, 1}, ""},
	{968, "Engine Idle Increment Switch", 65265, 8, 1, 2, Linear{1, 0, 1}, ""},
	{967, "Engine Idle Decrement Switch", 65265, 8, 3, 2, Linear{1, 0, 1}, ""},
	{966, "Engine Diagnostic Test Mode Switch", 65265, 8, 5, 2, Linear{1, 0, 1}, ""},
	{1237, "Engine Shutdown Override Switch", 65265, 8, 7, 2, Linear{1, 0, 1}, ""},

	// 65266 LFE1
	{183, "Engine Fuel Rate", 65266, 1, 1, 16, Linear{1, 0, 20}, "l/h"},
	{184, "Engine Instantaneous Fuel Economy", 65266, 3, 1, 16, Linear{1, 0, 512}, "km/L"},
	{185, "Engine Average Fuel Economy", 65266, 5, 1, 16, Linear{1, 0, 512}, "km/L"},
	{51, "Engine Throttle Valve 1 Position 1", 65266, 7, 1, 8, Linear{2, 0, 5}, "%"},
	{3673, "Engine Throttle Valve 2 Position", 65266, 8, 1, 8, Linear{2, 0, 5}, "%"},

	// 65269 AMB
	{108, "Barometric Pressure", 65269, 1, 1, 8, Linear{1, 0, 2}, "kPa"},
	{170, "Cab Interior Temperature", 65269, 2, 1, 16, Linear{1, -8736, 32}, "°C"},
	{171, "Ambient Air Temperature", 65269, 4, 1, 16, Linear{1, -8736, 32}, "°C"},
	{172, "Engine Intake 1 Air Temperature", 65269, 6, 1, 8, Linear{1, -40, 1}, "°C"},
	{79, "Road Surface Temperature", 65269, 7, 1, 16, Linear{1, -8736, 32}, "°C"},

	// 65270 IC1
	{81, "Aftertreatment 1 Diesel Particulate Filter Intake Pressure (use SPN 3609)", 65270, 1, 1, 8, Linear{1, 0, 2}, "kPa"},
	{102, "Engine Intake Manifold #1 Pressure", 65270, 2, 1, 8, Linear{2, 0, 1}, "kPa"},
	{105, "Engine Intake Manifold 1 Temperature", 65270, 3, 1, 8, Linear{1, -40, 1}, "°C"},
	{106, "Engine Intake Air Pressure", 65270, 4, 1, 8, Linear{2, 0, 1}, "kPa"},
	{107, "Engine Air Filter 1 Differential Pressure", 65270, 5, 1, 8, Linear{1, 0, 20}, "kPa"},
	{173, "Engine Exhaust Temperature", 65270, 6, 1, 16, Linear{1, -8736, 32}, "°C"},
	{112, "Engine Coolant Filter Differential Pressure", 65270, 8, 1, 8, Linear{1, 0, 2}, "kPa"},

	// 65271 VEP1
	{114, "SLI Battery 1 Net Current", 65271, 1, 1, 8, Linear{1, -125, 1}, "A"},
	{115, "Alternator Current", 65271, 2, 1, 8, Linear{1, 0, 1}, "A"},
	{167, "Charging System Potential (Voltage)", 65271, 3, 1, 16, Linear{1, 0, 20}, "V"},
	{168, "Battery Potential / Power Input 1", 65271, 5, 1, 16, Linear{1, 0, 20}, "V"},
	{158, "Key Switch Battery Potential", 65271, 7, 1, 16, Linear{1, 0, 20}, "V"},

	// 65272 TRF1
	{123, "Transmission Clutch 1 Pressure", 65272, 1, 1, 8, Linear{16, 0, 1}, "kPa"},
	{124, "Transmission Oil Level 1", 65272, 2, 1, 8, Linear{2, 0, 5}, "%"},
	{126, "Transmission Filter Differential Pressure", 65272, 3, 1, 8, Linear{2, 0, 1}, "kPa"},
	{127, "Transmission 1 Oil Pressure", 65272, 4, 1, 8, Linear{16, 0, 1}, "kPa"},
	{177, "Transmission Oil Temperature 1", 65272, 5, 1, 16, Linear{1, -8736, 32}, "°C"},
	{3027, "Transmission Oil Level 1 High / Low", 65272, 7, 1, 8, Linear{1, -125, 2}, "l"},
	{3028, "Transmission Oil Level 1 Countdown Timer", 65272, 8, 1, 4, Linear{1, 0, 1}, ""},
	{3026, "Transmission Oil Level 1 Measurement Status", 65272, 8, 5, 4, Linear{1, 0, 1}, ""},

	// 65276 DD1
	{80, "Washer Fluid Level", 65276, 1, 1, 8, Linear{2, 0, 5}, "%"},
	{96, "Fuel Level 1", 65276, 2, 1, 8, Linear{2, 0, 5}, "%"},
	{95, "Engine Fuel Filter Differential Pressure", 65276, 3, 1, 8, Linear{2, 0, 1}, "kPa"},
	{99, "Engine Oil Filter Differential Pressure", 65276, 4, 1, 8, Linear{1, 0, 2}, "kPa"},
	{169, "Cargo Ambient Temperature", 65276, 5, 1, 16, Linear{1, -8736, 32}, "°C"},
	{38, "Fuel Level 2", 65276, 7, 1, 8, Linear{2, 0, 5}, "%"},
	{7471, "Engine Oil Filter Differential Pressure (Extended Range)", 65276, 8, 1, 8, Linear{5, 0, 1}, "kPa"},
}

// groupNames is read only.
var groupNames = map[Group]string{
	51968: "PD",
	59392: "ACKM",
	59904: "RQST",
	60160: "TP.DT",
	60416: "TP.CM",
	60928: "AC",
	61443: "EEC2",
	61444: "EEC1",
	64965: "ECUID",
	65091: "RPTO",
	65092: "FPTO",
	65096: "WBSD",
	65097: "GBSD",
	65226: "DM1",
	65227: "DM2",
	65228: "DM3",
	65235: "DM11",
	65242: "SOFT",
	65244: "IO",
	65248: "VD",
	65253: "HOURS",
	65254: "TD",
	65255: "VH",
	65257: "LFC1",
	65259: "CI",
	65260: "VI",
	65262: "ET1",
	65263: "EFL/P1",
	65265: "CCVS1",
	65266: "LFE1",
	65269: "AMB",
	65270: "IC1",
	65271: "VEP1",
	65272: "TRF1",
	65276: "DD1",
}
