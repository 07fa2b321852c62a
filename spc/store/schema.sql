-- The store's schema, version 3.
-- Version 1: first release.
-- Version 2: the statuses that files report, in a table of their own.
-- Version 3: each entry of the audit chain seals the rows that it brought.
--
-- Append-only: nothing measured is updated or deleted. Where stores were merged, two rows may tell of
-- the same thing, each as its station recorded it, and the earlier one holds. No index, sequence or
-- constraint is used, so that the same tables can live in a shared catalogue; integrity is kept by
-- set-based inserts inside one transaction, and proved by 'spc store check'. The text after each
-- column is also its COMMENT in the database.
-- Lengths are in millimetres, times in UTC, empty text means unknown.

-- The version of this schema and who brought the store to it.
CREATE TABLE schema_version (
    version INTEGER,            -- version of the schema, counted from 1
    applied_at TIMESTAMP,       -- when the store was brought to it, UTC
    tool_version VARCHAR        -- version of spc that did it
);

-- Files taken into the store, whole or not at all.
CREATE TABLE source_file (
    file_id VARCHAR,            -- SHA-256 of the file's bytes
    name VARCHAR,               -- name of the file as it came
    kind VARCHAR,               -- hits, points, deviations, events or plan
    bytes BIGINT,               -- size of the file
    rows BIGINT,                -- data rows in the file
    runs BIGINT,                -- runs in the file; rows where it holds something else
    unit VARCHAR,               -- unit that the file, its mapping or the user declared
    zone VARCHAR,               -- time zone declared for times without one; empty where none was needed
    warnings VARCHAR,           -- what was said when it was taken, one a line
    taken_at TIMESTAMP,         -- when it was taken, UTC
    taken_by VARCHAR,           -- who took it
    tool_version VARCHAR        -- version of spc that took it
);

-- Files that could not be taken while a folder was followed, with the reason; nothing of them is
-- in the store.
CREATE TABLE rejected_file (
    file_id VARCHAR,            -- SHA-256 of the file's bytes
    name VARCHAR,               -- name of the file as it came
    bytes BIGINT,               -- size of the file
    reason VARCHAR,             -- why it could not be taken, in one line
    rejected_at TIMESTAMP,      -- when it was tried, UTC
    rejected_by VARCHAR,        -- who tried
    tool_version VARCHAR        -- version of spc that tried
);

-- Part numbers with their revisions.
CREATE TABLE part (
    part_id VARCHAR,            -- content hash of part and revision
    part VARCHAR,               -- part number
    revision VARCHAR,           -- revision of the part
    name VARCHAR,               -- what people call it
    added_at TIMESTAMP          -- when it came into the store, UTC
);

-- Measurement plans; a part revision's plan in force is the one added last. A plan may be added
-- again after another one; what it came after tells that from the same plan at another station.
CREATE TABLE plan (
    plan_id VARCHAR,            -- content hash of what the plan says
    part VARCHAR,               -- part number
    revision VARCHAR,           -- revision of the part
    name VARCHAR,               -- what people call the part
    unit VARCHAR,               -- unit that the part is shown in
    fit_method VARCHAR,         -- least squares or exact hold
    residual_limit DOUBLE,      -- hold a run whose largest residual is beyond this, mm; NULL where none
    purpose VARCHAR,            -- empty where it is for measuring; refit where only for a refit
    choices VARCHAR,            -- JSON of its second opinion, probe, material and panels; empty where none
    source VARCHAR,             -- the plan's text as it was written
    replaces VARCHAR,           -- the plan in force before it; empty where it was the first
    added_at TIMESTAMP,         -- when it came into the store, UTC
    added_by VARCHAR            -- who added it
);

-- The points of each plan.
CREATE TABLE plan_point (
    plan_id VARCHAR,            -- the plan
    seq INTEGER,                -- place in the plan, from 1
    point VARCHAR,              -- name of the point
    role VARCHAR,               -- fit or check
    point_group VARCHAR,        -- letter of like points, or empty
    nominal_x DOUBLE,           -- nominal position, mm
    nominal_y DOUBLE,           -- nominal position, mm
    nominal_z DOUBLE,           -- nominal position, mm
    normal_x DOUBLE,            -- outward unit normal
    normal_y DOUBLE,            -- outward unit normal
    normal_z DOUBLE,            -- outward unit normal
    lower DOUBLE,               -- lower tolerance on the deviation, mm; NULL where none
    upper DOUBLE,               -- upper tolerance on the deviation, mm; NULL where none
    weight DOUBLE               -- weight in the fit
);

-- Pieces; what is filled in or corrected is a further row. Of each word the last correction holds,
-- else the last row that says it.
CREATE TABLE piece (
    piece_id VARCHAR,           -- content hash of part and serial
    part VARCHAR,               -- part number
    serial VARCHAR,             -- serial of the piece
    mould VARCHAR,              -- mould it came from; empty where this row does not say
    cavity VARCHAR,             -- cavity of the mould; empty where this row does not say
    batch VARCHAR,              -- batch it was moulded in; empty where this row does not say
    recorded_at TIMESTAMP,      -- when this row was written, UTC
    recorded_by VARCHAR,        -- who wrote it
    why VARCHAR,                -- reason of a correction; empty for the first row
    file_id VARCHAR             -- the file it came from; empty where a person corrected it
);

-- Runs: one alignment of one piece each.
CREATE TABLE run (
    run_id VARCHAR,             -- content hash of everything measured in the run
    piece_id VARCHAR,           -- the piece
    part VARCHAR,               -- part number
    revision VARCHAR,           -- revision of the part
    serial VARCHAR,             -- serial of the piece
    run VARCHAR,                -- the run's own label
    depth VARCHAR,              -- what the file held: hits, points or deviations
    measured_at TIMESTAMP,      -- when it was measured, UTC; NULL where unknown
    zone VARCHAR,               -- offset or zone that the time came in
    operator VARCHAR,           -- who probed
    device VARCHAR,             -- the arm
    probe VARCHAR,              -- its probe
    setup VARCHAR,              -- placing of the piece in its fixture
    study VARCHAR,              -- gauge study the run belongs to; empty for production
    part_temp_c DOUBLE,         -- temperature of the piece, degrees Celsius
    hours_since_moulding DOUBLE, -- age of the piece, hours
    mould VARCHAR,              -- mould as this file says
    cavity VARCHAR,             -- cavity as this file says
    batch VARCHAR,              -- batch as this file says
    file_id VARCHAR,            -- the file it came from
    taken_at TIMESTAMP          -- when it was taken, UTC
);

-- Runs that were recorded under another piece's serial; the last row of a run holds.
CREATE TABLE reassignment (
    run_id VARCHAR,             -- the run
    piece_id VARCHAR,           -- the piece that it is of
    serial VARCHAR,             -- its serial
    why VARCHAR,                -- reason
    recorded_at TIMESTAMP,      -- when, UTC
    recorded_by VARCHAR         -- by whom
);

-- Probed positions in the arm's own frame.
CREATE TABLE hit (
    run_id VARCHAR,             -- the run
    point VARCHAR,              -- the plan's point
    hit INTEGER,                -- number of the hit; 0 where the file held the point's mean
    x DOUBLE,                   -- position in the arm's frame, mm
    y DOUBLE,                   -- position in the arm's frame, mm
    z DOUBLE,                   -- position in the arm's frame, mm
    station VARCHAR,            -- position of the arm
    line INTEGER                -- line of the file, the header being 1
);

-- What files report of their characteristics, apart from what their own numbers say of them.
CREATE TABLE reported_status (
    run_id VARCHAR,             -- the run
    characteristic VARCHAR,     -- name of the characteristic
    point VARCHAR,              -- the point that it is of; empty where it is of none, or of several
    value DOUBLE,               -- its value as the file tells it, mm; NULL where it tells none
    lower DOUBLE,               -- lower limit on that, mm; NULL where none
    upper DOUBLE,               -- upper limit on that, mm; NULL where none
    reported VARCHAR,           -- status as the file reports it
    recomputed VARCHAR,         -- status by its own value and limits; empty where they do not tell
    line INTEGER,               -- line of the file
    file_id VARCHAR             -- the file it came from
);

-- Best fits of runs onto their plans; the working result of a run is its last one in the set ''.
CREATE TABLE fit (
    fit_id VARCHAR,             -- content hash of run, plan, method, omissions and set
    run_id VARCHAR,             -- the run
    plan_id VARCHAR,            -- the plan it was fitted to
    result_set VARCHAR,         -- name of the set of results; empty for the working one
    origin VARCHAR,             -- computed here, or file where the file brought the result
    method VARCHAR,             -- least squares or exact hold; empty where a file brought it
    omitted VARCHAR,            -- fit points left out, comma separated
    n_points INTEGER,           -- fit points used
    dof INTEGER,                -- residual degrees of freedom, n_points - 6
    ssr DOUBLE,                 -- weighted sum of squared residuals, mm2
    noise DOUBLE,               -- noise estimate sqrt(ssr / dof), mm; NULL where dof is 0
    worst_point VARCHAR,        -- fit point with the largest residual
    worst_residual DOUBLE,      -- its signed residual, mm
    hit_sd DOUBLE,              -- pooled standard deviation of hits within points, mm
    hit_dof INTEGER,            -- its degrees of freedom
    iterations INTEGER,         -- iterations of the best fit
    rotation VARCHAR,           -- JSON list of nine numbers, row by row: arm frame to part frame
    translation VARCHAR,        -- JSON list of three numbers, mm
    fitted_at TIMESTAMP,        -- when, UTC
    tool_version VARCHAR        -- version of spc that fitted it
);

-- Deviations of a fit's points.
CREATE TABLE deviation (
    fit_id VARCHAR,             -- the fit
    run_id VARCHAR,             -- the run
    point VARCHAR,              -- the plan's point
    role VARCHAR,               -- fit or check in this fit
    deviation DOUBLE,           -- signed distance along the nominal normal, outwards positive, mm
    residual DOUBLE,            -- deviation left at a fit point; NULL for check points
    hits INTEGER,               -- hits it is the mean of
    hit_sd DOUBLE,              -- standard deviation of its hits, mm; NULL below two hits
    tangential DOUBLE           -- distance from the nominal along the surface, mm
);

-- Omissions of points from fits, and their restorations.
CREATE TABLE omission (
    omission_id VARCHAR,        -- content hash
    run_id VARCHAR,             -- the run
    point VARCHAR,              -- the fit point
    action VARCHAR,             -- omit or restore
    reason VARCHAR,             -- reason code
    why VARCHAR,                -- reason in words
    forced BOOLEAN,             -- recorded against the tool's advice
    decided_at TIMESTAMP,             -- when, UTC
    who VARCHAR                 -- who
);

-- Events that can explain a change: mould work, resin lot, arm recalibration.
CREATE TABLE event (
    event_id VARCHAR,           -- content hash
    happened_at TIMESTAMP,             -- when it happened, UTC
    zone VARCHAR,               -- offset or zone that the time came in
    kind VARCHAR,               -- what kind of event
    part VARCHAR,               -- part number; empty for all
    mould VARCHAR,              -- mould; empty for all
    note VARCHAR,               -- what happened
    file_id VARCHAR,            -- the file it came from; empty where typed in
    taken_at TIMESTAMP          -- when it was recorded, UTC
);

-- Frozen limits, and their retirements.
CREATE TABLE limit_set (
    limit_set_id VARCHAR,       -- content hash
    action VARCHAR,             -- freeze or retire
    part VARCHAR,               -- part number
    revision VARCHAR,           -- revision
    series VARCHAR,             -- point or figure of the fit
    mould VARCHAR,              -- mould; empty for all
    unit_of_time VARCHAR,       -- piece or batch: what one point on the chart is
    scale VARCHAR,              -- plain, or two thirds: centre and sigma of the value's power 2/3
    center DOUBLE,              -- centre line in that scale, mm
    sigma DOUBLE,               -- standard deviation that the limits stand on, in that scale
    sigma_df DOUBLE,            -- its effective degrees of freedom
    lower DOUBLE,               -- lower limit, mm
    upper DOUBLE,               -- upper limit, mm
    n INTEGER,                  -- values they stand on
    estimator VARCHAR,          -- how sigma was estimated
    width DOUBLE,               -- half width of the limits in sigma
    rules VARCHAR,              -- run rules, in words, comma separated
    baseline VARCHAR,           -- the baseline as it was named
    baseline_from TIMESTAMP,    -- first measuring time of the baseline
    baseline_to TIMESTAMP,      -- last measuring time of the baseline
    baseline_runs VARCHAR,      -- hash of the identities of the runs in it
    valid_from TIMESTAMP,       -- in force from (or retired at), UTC
    why VARCHAR,                -- reason
    decided_at TIMESTAMP,             -- when frozen or retired, UTC
    who VARCHAR                 -- by whom
);

-- Signals found on charts, and the answers given to them.
CREATE TABLE signal (
    signal_id VARCHAR,          -- content hash of part, series, mould, rule and first value
    action VARCHAR,             -- found or answered
    part VARCHAR,               -- part number
    series VARCHAR,             -- point or figure of the fit
    mould VARCHAR,              -- mould
    rule VARCHAR,               -- rule in words
    subject VARCHAR,            -- run or batch that completed it
    measured_at TIMESTAMP,      -- its time, UTC
    value DOUBLE,               -- its value
    cause VARCHAR,              -- cause found
    reaction VARCHAR,           -- what was done
    recorded_at TIMESTAMP,             -- when recorded, UTC
    who VARCHAR                 -- by whom
);

-- Gauge studies known to the store; their runs carry the name.
CREATE TABLE gauge_study (
    study_id VARCHAR,           -- content hash of part and name
    part VARCHAR,               -- part number
    study VARCHAR,              -- name of the study
    file_id VARCHAR,            -- the first file of it
    recorded_at TIMESTAMP       -- when it first came in, UTC
);

-- The chain of everything that was done to the store; each row's hash covers the row before it.
CREATE TABLE audit (
    seq BIGINT,                 -- place in the chain, from 1
    written_at TIMESTAMP,             -- when, UTC
    who VARCHAR,                -- who
    action VARCHAR,             -- what was done
    subject VARCHAR,            -- to what
    detail VARCHAR,             -- JSON of what else matters
    tool_version VARCHAR,       -- version of spc that did it
    previous VARCHAR,           -- hash of the row before
    hash VARCHAR                -- SHA-256 over this row and the hash before it
);

-- The chains of stores that were merged into this one, as they came. A chain cannot be woven into
-- another without new hashes, so each stays as it is; this store's own chain holds the last hash.
CREATE TABLE merged_audit (
    seq BIGINT,                 -- place in its chain, from 1
    written_at TIMESTAMP,       -- when, UTC
    who VARCHAR,                -- who
    action VARCHAR,             -- what was done
    subject VARCHAR,            -- to what
    detail VARCHAR,             -- JSON of what else matters
    tool_version VARCHAR,       -- version of spc that did it
    previous VARCHAR,           -- hash of the row before in its chain
    hash VARCHAR                -- SHA-256 over this row and the hash before it
);

-- Readings of reference artefacts by an arm: what its trust over time stands on.
CREATE TABLE arm_check (
    check_id VARCHAR,           -- content hash
    checked_at TIMESTAMP,       -- when, UTC
    zone VARCHAR,               -- offset or zone that the time came in
    device VARCHAR,             -- the arm
    artefact VARCHAR,           -- the reference artefact
    reference DOUBLE,           -- its certified value, mm
    uncertainty DOUBLE,         -- standard uncertainty of that, mm; NULL where unknown
    place VARCHAR,              -- where in the arm's reach; empty where not said
    trial INTEGER,              -- number of the reading within its session
    reading DOUBLE,             -- what the arm read, mm
    operator VARCHAR,           -- who
    file_id VARCHAR,            -- the file it came from
    taken_at TIMESTAMP          -- when it was taken, UTC
);
