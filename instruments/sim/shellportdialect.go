package sim

// CommandLineDialect is the name of the dialect table of the simulated command line.
const CommandLineDialect = "simulated-command-line"

// CommandLineTable returns the dialect table (YAML) for the command line of every
// simulated radio unit, as an inventory lists it.
func CommandLineTable() string { return commandLineTable }

const commandLineTable = `name: simulated-command-line
role: radio unit
control: shell
command_line:
  prompt: '[A-Za-z0-9._+-]+> '
  refused: '^refused: (.*)'
  user_prompt: 'user:'
  password_prompt: 'password:'
  setup: [page off]
  echo: say {text}
  identity: show unit
  identity_answer: '(?s)^type (?P<type>\S+)$.*^maker (?P<maker>[^\n]+)$.*^serial (?P<serial>\S+)$.*^build (?P<build>\S+)$.*^boot (?P<boot>\d+)$'
commands:
  revision: {ask: read revision, answer: 'revision (\S+)'}
  build: {set: "load {build}", ask: read build, answer: 'build (\S+)'}
  carrier_count: {set: "put carriers {count}", ask: read carriers, answer: 'carriers (\d+)'}
  carrier_frequency: {set: "put carrier {carrier} frequency {frequency:6}", ask: "read carrier {carrier} frequency", unit: MHz, answer: 'frequency (\S+) MHz'}
  carrier_bandwidth: {set: "put carrier {carrier} bandwidth {bandwidth:3}", ask: "read carrier {carrier} bandwidth", unit: MHz, answer: 'bandwidth (\S+) MHz'}
  carrier_spacing: {set: "put carrier {carrier} spacing {spacing:0}", ask: "read carrier {carrier} spacing", unit: kHz, answer: 'spacing (\S+) kHz'}
  carrier_power: {set: "put carrier {carrier} power {power}", ask: "read carrier {carrier} power", answer: 'power (\S+) dBm'}
  test_model: {set: "put model {model}", ask: read model, answer: 'model (\S+)'}
  duplex: {set: "put duplex {duplex}", ask: read duplex, answer: 'duplex (\S+)'}
  transmit_on: {set: put transmit on}
  transmit_off: {set: put transmit off}
  transmitting: {ask: read transmit, answer: '^transmit (on|off)$'}
  connector_on: {set: "put connector {connector} transmit on"}
  connector_off: {set: "put connector {connector} transmit off"}
  connector_enabled: {ask: "read connector {connector} transmit", answer: 'transmit (on|off)$'}
  attenuation: {set: "put connector {connector} attenuation {attenuation:2}", ask: "read connector {connector} attenuation", answer: 'attenuation (\S+) dB'}
  timer_start: {set: put timer on}
  timer_stop: {set: put timer off}
  timer: {ask: read timer, answer: '^timer (on|off)$'}
  synthesizer_reset: {set: run reset}
  synthesizer_locked: {ask: read synthesizer, answer: '^synthesizer (on|off)$'}
  calibrate: {set: run calibration}
  calibration_result: {ask: read calibration, answer: 'calibration (-?\d+)$'}
  calibration_frequency: {ask: read calibration frequency, unit: MHz, answer: 'frequency (\S+) MHz'}
  tracking_on: {set: put tracking on}
  tracking_off: {set: put tracking off}
  tracking: {ask: read tracking, answer: '^tracking (on|off)$'}
  tracking_status: {ask: read tracking state, answer: 'state (\w+)$'}
  source_model: {set: put source model}
  source_tone: {set: put source tone}
  source: {ask: read source, answer: 'source (\w+)$'}
  tone_offset: {set: "put tone offset {offset:3}", ask: read tone offset, unit: kHz, answer: 'offset (\S+) kHz'}
  tone_level: {set: "put tone level {level}", ask: read tone level, answer: 'level (\S+) dB'}
  reference_locked: {ask: read reference, answer: 'reference (on|off)$'}
  pps_locked: {ask: read pps, answer: 'pps (on|off)$'}
  temperature: {ask: read temperature, answer: 'temperature (\S+) degC'}
  alarms: {ask: read alarms, answer: 'alarms (\d+)$'}
  supply_voltage: {ask: read supply voltage, answer: 'voltage (\S+) V'}
  supply_current: {ask: read supply current, answer: 'current (\S+) A'}
  uptime: {ask: read uptime, answer: 'uptime (\S+) s'}
`
