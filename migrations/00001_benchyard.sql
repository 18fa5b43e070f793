-- +goose Up
-- +goose StatementBegin

-- The inventory of a lab is one document; every applied version is kept.
CREATE TABLE lab_version (
    id           bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name         text NOT NULL,
    simulated    boolean NOT NULL,
    content_hash text NOT NULL UNIQUE,
    document     text NOT NULL,
    applied_by   text NOT NULL,
    applied_at   timestamptz NOT NULL DEFAULT now()
);

-- Benches outlive inventory versions: holds, status and leases hang on the name.
CREATE TABLE bench (
    name         text PRIMARY KEY,
    hold_reason  text,                      -- null: free to work
    activity     text NOT NULL DEFAULT 'offline'
        CHECK (activity IN ('offline', 'taking over', 'idle', 'bring-up', 'measuring', 'safe', 'alarm')),
    doing        text NOT NULL DEFAULT '',  -- one line for people
    alarm        text,                      -- what could not be confirmed; null: none
    run_id       uuid,
    updated_at   timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE bench_lease (
    bench      text PRIMARY KEY REFERENCES bench,
    token      bigint NOT NULL,             -- grows with every new holder, never restarts
    holder     text NOT NULL,
    expires_at timestamptz NOT NULL         -- judged by the clock of the database only
);

CREATE TABLE radio_unit (
    serial   text PRIMARY KEY,
    type     text NOT NULL,
    revision text NOT NULL
);

CREATE TABLE build (
    name       text PRIMARY KEY,
    created_at timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE plan_version (
    id           bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name         text NOT NULL,
    content_hash text NOT NULL UNIQUE,
    document     text NOT NULL,
    created_by   text NOT NULL,
    created_at   timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE campaign (
    id           uuid PRIMARY KEY,
    name         text NOT NULL,
    plan_id      bigint NOT NULL REFERENCES plan_version,
    lab_id       bigint NOT NULL REFERENCES lab_version,
    build        text NOT NULL REFERENCES build,
    simulated    boolean NOT NULL,
    limit_set    text NOT NULL,             -- name and version of the limits in force
    priority     integer NOT NULL DEFAULT 100, -- smaller goes first
    requested_by text NOT NULL,
    submitted_at timestamptz NOT NULL DEFAULT now(),
    cancelled_by text,
    cancelled_at timestamptz
);

CREATE TABLE run (
    id              uuid PRIMARY KEY,
    campaign_id     uuid NOT NULL REFERENCES campaign,
    serial          text NOT NULL REFERENCES radio_unit,
    unit_type       text NOT NULL,
    attempt         integer NOT NULL DEFAULT 1 CHECK (attempt >= 1),
    repeats         uuid REFERENCES run,     -- the attempt before this one
    state           text NOT NULL DEFAULT 'queued'
        CHECK (state IN ('queued', 'active', 'done', 'error', 'cancelled')),
    bench           text REFERENCES bench,   -- where the unit is mounted, set when the run is queued
    blocked         text,                    -- why no bench can take it now
    verdict         text CHECK (verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail', 'error', 'aborted', 'not run')),
    error           text,
    cases           integer NOT NULL,        -- cases the plan asks for
    estimate_s      double precision NOT NULL DEFAULT 0,
    program_version text NOT NULL DEFAULT '',
    instruments     jsonb NOT NULL DEFAULT '{}', -- identities and certificates as found at preflight
    queued_at       timestamptz NOT NULL DEFAULT now(),
    started_at      timestamptz,
    finished_at     timestamptz,
    UNIQUE (campaign_id, serial, attempt),
    CHECK ((state = 'active') <= (bench IS NOT NULL)),
    CHECK ((state IN ('done', 'error', 'cancelled')) = (finished_at IS NOT NULL))
);
CREATE INDEX run_by_state ON run (state, queued_at);
CREATE INDEX run_by_serial ON run (serial);
CREATE INDEX run_by_repeats ON run (repeats);
-- A bench works on one run at a time.
CREATE UNIQUE INDEX run_active_per_bench ON run (bench) WHERE state = 'active';

CREATE TABLE run_segment (
    run_id      uuid NOT NULL REFERENCES run,
    number      integer NOT NULL CHECK (number >= 1),
    title       text NOT NULL,
    cases       integer NOT NULL,
    state       text NOT NULL DEFAULT 'pending' CHECK (state IN ('pending', 'running', 'done', 'error')),
    attempts    integer NOT NULL DEFAULT 0,
    token       bigint,                     -- lease token of the holder that runs or ran it
    error       text,
    started_at  timestamptz,
    finished_at timestamptz,
    PRIMARY KEY (run_id, number)
);

CREATE TABLE measured_case (
    id           bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    run_id       uuid NOT NULL,
    segment      integer NOT NULL,
    position     integer NOT NULL,          -- place in the expanded plan, from 1
    case_key     text NOT NULL,
    clause       text NOT NULL,
    band         text NOT NULL,
    rf_channel   text NOT NULL,
    carrier_hz   double precision NOT NULL,
    bandwidth_hz double precision NOT NULL,
    scs_hz       double precision NOT NULL,
    connector    integer NOT NULL,
    test_model   text NOT NULL,
    verdict      text NOT NULL CHECK (verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail', 'error', 'aborted', 'not run')),
    error        text,                      -- why there is no valid measurement
    measured_at  timestamptz NOT NULL,
    duration_s   double precision NOT NULL DEFAULT 0,
    FOREIGN KEY (run_id, segment) REFERENCES run_segment,
    UNIQUE (run_id, case_key),              -- no case is stored twice
    CHECK ((verdict = 'error') <= (error IS NOT NULL))
);

CREATE TABLE measurement (
    id              bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    case_id         bigint NOT NULL REFERENCES measured_case,
    requirement_key text NOT NULL,
    clause          text NOT NULL,
    title           text NOT NULL,
    quantity        text NOT NULL,
    side            text NOT NULL DEFAULT '' CHECK (side IN ('', 'lower', 'upper')),
    value           double precision NOT NULL CHECK (abs(value) < 9.9e37),   -- refuses NaN too: it sorts above every number
    unit            text NOT NULL,
    lower_limit     double precision,
    upper_limit     double precision,
    margin          double precision NOT NULL CHECK (abs(margin) < 9.9e37),
    uncertainty     double precision NOT NULL DEFAULT 0,
    at_hz           double precision,
    core            double precision NOT NULL,
    tolerance       double precision NOT NULL,
    tolerance_known boolean NOT NULL DEFAULT true, -- false: none is known, the core value was used
    mbw_hz          double precision,       -- measurement bandwidth
    offset_from_hz  double precision,       -- of the limit, from the channel edge or centre
    offset_to_hz    double precision,
    verdict         text NOT NULL CHECK (verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail')),
    rule            text NOT NULL,
    note            text NOT NULL DEFAULT '',
    source          text NOT NULL,          -- of the core value
    tolerance_source text NOT NULL DEFAULT '',
    provenance      text NOT NULL,
    UNIQUE (case_id, requirement_key)
);

CREATE TABLE trace (
    case_id   bigint NOT NULL REFERENCES measured_case,
    number    integer NOT NULL,
    role      text NOT NULL,                -- what the procedure took it for
    start_hz  double precision NOT NULL,
    step_hz   double precision NOT NULL,
    points    integer NOT NULL,
    rbw_hz    double precision NOT NULL,
    noise_bandwidth_hz double precision NOT NULL,
    settings  jsonb NOT NULL,               -- the sweep that was asked for
    levels    bytea NOT NULL,               -- zstd over float32 dBm at the analyzer input, in four byte planes, least significant first
    PRIMARY KEY (case_id, number)
);

CREATE TABLE run_rollup (
    run_id       uuid NOT NULL REFERENCES run,
    clause       text NOT NULL,
    verdict      text NOT NULL CHECK (verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail', 'error', 'aborted', 'not run')),
    cases        integer NOT NULL,
    passed       integer NOT NULL,
    failed       integer NOT NULL,
    errors       integer NOT NULL,
    worst_margin double precision,          -- in the unit of the quantity; null when nothing was judged
    unit         text NOT NULL DEFAULT '',
    PRIMARY KEY (run_id, clause)
);

CREATE TABLE transcript (
    run_id  uuid NOT NULL,
    segment integer NOT NULL,
    attempt integer NOT NULL,
    body    bytea NOT NULL,                 -- zstd over text, one SCPI message per line
    PRIMARY KEY (run_id, segment, attempt),
    FOREIGN KEY (run_id, segment) REFERENCES run_segment
);

-- Outbox for live pages and watchers. Each insert also notifies 'benchyard'.
CREATE TABLE event (
    id          bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    at          timestamptz NOT NULL DEFAULT now(),
    kind        text NOT NULL,              -- 'bench', 'campaign', 'run', 'segment', 'lab'
    campaign_id uuid,
    run_id      uuid,
    bench       text,
    body        jsonb NOT NULL DEFAULT '{}'
);

CREATE FUNCTION notify_event() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_notify('benchyard', NEW.id::text);
    RETURN NULL;
END $$;

CREATE TRIGGER event_notify AFTER INSERT ON event FOR EACH ROW EXECUTE FUNCTION notify_event();

-- +goose StatementEnd
