package dialect

// radioUnitRole is the role of radio units under test, which no standard has.
func radioUnitRole() role {
	carrier := which("carrier")
	connector := which("connector")
	return role{
		shell:  true,
		limits: []string{"frequency_tolerance", "level_tolerance"},
		// Of what is read back. Units print tenths of a decibel, and tune in steps of
		// some hertz: 10 Hz at 3.5 GHz are 0.003 ppm of the 0.05 ppm that TS 38.141-1,
		// 6.5.2 leaves them (both common practice, no source).
		usual: map[string]float64{"frequency_tolerance": 10, "level_tolerance": 0.05},
		capabilities: []Capability{
			asked("revision", Text).required(),
			setting("build", Text, word("build")).required().takes(Load).overlapped(),
			setting("carrier_count", Number, count("count")),
			setting("carrier_frequency", Number, carrier, real("frequency")).of(Frequency).required(),
			setting("carrier_bandwidth", Number, carrier, real("bandwidth")).of(Frequency).required(),
			setting("carrier_spacing", Number, carrier, real("spacing")).of(Frequency).required(),
			setting("carrier_power", Number, carrier, real("power")).of(Level).required(),
			setting("test_model", Text, word("model")).required(),
			setting("duplex", Word, word("duplex")).required(),
			told("transmit_on").required(),
			told("transmit_off").required(),
			asked("transmitting", Boolean).required(),
			told("connector_on", connector),
			told("connector_off", connector),
			asked("connector_enabled", Boolean, connector),
			setting("attenuation", Number, connector, real("attenuation")).of(Ratio),
			told("timer_start"),
			told("timer_stop"),
			asked("timer", Boolean),
			told("synthesizer_reset").takes(Settle).overlapped(),
			asked("synthesizer_locked", Boolean),
			told("calibrate").takes(Calibration).overlapped(),
			asked("calibration_result", Number),
			asked("calibration_frequency", Number).of(Frequency),
			told("tracking_on"),
			told("tracking_off"),
			asked("tracking", Boolean),
			asked("tracking_status", Word),
			told("source_model"),
			told("source_tone"),
			asked("source", Word),
			setting("tone_offset", Number, real("offset")).of(Frequency),
			setting("tone_level", Number, real("level")).of(Ratio),
			asked("reference_locked", Boolean),
			asked("pps_locked", Boolean),
			asked("temperature", Number).of(Temperature),
			asked("alarms", Number),
			asked("supply_voltage", Number).of(Voltage),
			asked("supply_current", Number).of(Current),
			asked("uptime", Number).of(Time),
		},
	}
}
