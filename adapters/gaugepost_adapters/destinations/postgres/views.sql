-- What stands of the records, by use. Columns of a view are only ever added, at its end.

CREATE OR REPLACE VIEW gaugepost.lineage AS
WITH RECURSIVE step (journal_epoch, before, last) AS (
    SELECT epoch::uuid, epoch_before::uuid, sequence - 1 FROM gaugepost.record
    WHERE kind = 'salvage' AND epoch IS NOT NULL AND epoch_before IS NOT NULL
), line (journal_epoch, before, last) AS (
    SELECT journal_epoch, before, last FROM step
    UNION
    SELECT line.journal_epoch, step.before, least(step.last, line.last)
    FROM line JOIN step ON step.journal_epoch = line.before
)
SELECT journal_epoch, before, last FROM line;
COMMENT ON VIEW gaugepost.lineage IS
    'Epochs that a salvaged journal goes on from: up to record last it is the same journal';

CREATE OR REPLACE VIEW gaugepost.doubts AS
SELECT journal_epoch, gauge, range_agg(int8range(first, last, '[]')) AS sequences FROM (
    SELECT journal_epoch, gauge, first, last FROM gaugepost.record s WHERE kind = 'suspect' AND first <= last
        AND NOT EXISTS (SELECT FROM gaugepost.record n WHERE n.replaces = s.id)
    UNION ALL
    SELECT l.before, r.gauge, r.first, least(r.last, l.last) FROM gaugepost.record r
    JOIN gaugepost.lineage l ON l.journal_epoch = r.journal_epoch
    WHERE r.kind = 'suspect' AND r.first <= least(r.last, l.last)
        AND NOT EXISTS (SELECT FROM gaugepost.record n WHERE n.replaces = r.id)
) doubt GROUP BY journal_epoch, gauge;
COMMENT ON VIEW gaugepost.doubts IS 'What failed checks put in doubt and nobody lifted: sequences by journal and gauge';

-- An attempt is counted with what is measured and with an amendment; what is judged again keeps its number.
CREATE OR REPLACE VIEW gaugepost.original AS
WITH RECURSIVE chain (id, before, step, counted) AS (
    SELECT id, replaces, 1, CASE kind WHEN 'amendment' THEN id ELSE replaces END FROM gaugepost.record
    WHERE replaces IS NOT NULL AND kind IN ('amendment', 'rejudged')
    UNION ALL
    SELECT chain.id, r.replaces, chain.step + 1,
        CASE WHEN r.kind = 'rejudged' AND chain.counted = r.id THEN r.replaces ELSE chain.counted END
    FROM chain JOIN gaugepost.record r ON r.id = chain.before
    WHERE r.replaces IS NOT NULL AND r.kind IN ('amendment', 'rejudged')
), origin (id, first, counted) AS (SELECT DISTINCT ON (id) id, before, counted FROM chain ORDER BY id, step DESC)
SELECT origin.id, origin.first, r.kind, r.journal_epoch, r.sequence, r.measured_at, r.operator,
    c.journal_epoch AS counted_epoch, c.sequence AS counted_sequence, c.arrival AS counted_arrival
FROM origin LEFT JOIN gaugepost.record r ON r.id = origin.first
LEFT JOIN gaugepost.record c ON c.id = origin.counted;
COMMENT ON VIEW gaugepost.original IS
    'Of each record that took the place of another the first one: when and by whom it was measured; and its attempt''s';

-- Two branches, so that a question about a time reads that time's months only: what took the place of another record
-- has the time of the first one, and there are few of those.
CREATE OR REPLACE VIEW gaugepost.standing AS
SELECT r.station, r.characteristic, r.position, r.lot, r.piece, r.attempt, r.gauge, r.operator, r.measured_at,
    coalesce(d.sequences @> r.sequence, false) AS suspect,
    r.value, r.unit, r.deviation, r.lower, r.upper, r.verdict, r.decision, r.rule, r.conformity, r.probability,
    r.uncertainty_mm, r.coverage_factor, r.reasons, r.remedy, r.value_mm, r.members, r.master, r.mastering, r.kind,
    r.id, r.journal_epoch, r.sequence, r.arrived_at,
    r.journal_epoch AS counted_epoch, r.sequence AS counted_sequence, r.arrival AS counted_arrival
FROM gaugepost.record r
LEFT JOIN gaugepost.doubts d ON d.journal_epoch = r.journal_epoch AND d.gauge = r.gauge
WHERE r.kind IN ('reading', 'result') AND NOT EXISTS (SELECT FROM gaugepost.record n WHERE n.replaces = r.id)
UNION ALL
SELECT r.station, r.characteristic, r.position, r.lot, r.piece, r.attempt, r.gauge, coalesce(o.operator, r.operator),
    coalesce(o.measured_at, r.measured_at), coalesce(d.sequences @> coalesce(o.sequence, r.sequence), false),
    r.value, r.unit, r.deviation, r.lower, r.upper, r.verdict, r.decision, r.rule, r.conformity, r.probability,
    r.uncertainty_mm, r.coverage_factor, r.reasons, r.remedy, r.value_mm, r.members, r.master, r.mastering, r.kind,
    r.id, r.journal_epoch, r.sequence, r.arrived_at, coalesce(o.counted_epoch, r.journal_epoch),
    coalesce(o.counted_sequence, r.sequence), coalesce(o.counted_arrival, r.arrival)
FROM gaugepost.original o JOIN gaugepost.record r ON r.id = o.id
LEFT JOIN gaugepost.doubts d ON d.journal_epoch = coalesce(o.journal_epoch, r.journal_epoch) AND d.gauge = r.gauge
WHERE coalesce(o.kind, CASE WHEN r.kind = 'rejudged' THEN r.code ELSE 'reading' END) IN ('reading', 'result')
    AND NOT EXISTS (SELECT FROM gaugepost.record n WHERE n.replaces = r.id);
COMMENT ON VIEW gaugepost.standing IS
    'Readings and results that nothing replaced, and what took the place of others; measured_at is when it was measured';

-- Attempts are counted in a journal and in what it goes on from. So of each place the measurement that came last says
-- which journal's count: what a restore left behind counts until the place is measured again.
CREATE OR REPLACE VIEW gaugepost.last_results AS
WITH line AS (SELECT journal_epoch, before, last FROM gaugepost.lineage), restored AS (
    SELECT DISTINCT ON (station) station AS of_station, epoch::uuid AS in_force, arrival AS since FROM gaugepost.record
    WHERE kind = 'salvage' AND epoch IS NOT NULL AND epoch_before IS NOT NULL ORDER BY station, arrival DESC
)
SELECT DISTINCT ON (station, characteristic, position, lot, piece, unnamed)
    station, characteristic, position, lot, piece, attempt, gauge, operator, measured_at, suspect, value, unit,
    deviation, lower, upper, verdict, decision, conformity, uncertainty_mm, reasons, id,
    coalesce(counted_arrival < since AND counted_epoch <> in_force AND counted_sequence > coalesce(kept.last, 0), false)
        AS left_behind
FROM (
    SELECT *, first_value(counted_epoch) OVER place AS latest_epoch,
        first_value(counted_sequence) OVER place AS latest_sequence
    FROM (SELECT *, CASE WHEN piece IS NULL THEN id END AS unnamed FROM gaugepost.standing WHERE verdict IS NOT NULL) r
    WINDOW place AS (PARTITION BY station, characteristic, position, lot, piece, unnamed ORDER BY counted_arrival DESC)
) told
LEFT JOIN line earlier ON earlier.journal_epoch = latest_epoch AND earlier.before = counted_epoch
LEFT JOIN line later ON later.journal_epoch = counted_epoch AND later.before = latest_epoch
LEFT JOIN restored ON of_station = station
LEFT JOIN line kept ON kept.journal_epoch = in_force AND kept.before = counted_epoch
WHERE counted_epoch = latest_epoch OR counted_sequence <= earlier.last OR latest_sequence <= later.last
ORDER BY station, characteristic, position, lot, piece, unnamed,
    attempt DESC NULLS LAST, measured_at DESC, sequence DESC;
COMMENT ON VIEW gaugepost.last_results IS
    'What counts now: each place''s last attempt that stands; left_behind: of after the backup that was restored';

-- Not SET search_path here: the server would no longer look into the function, and read everything for every question.
CREATE OR REPLACE FUNCTION gaugepost.subgroups(size integer)
RETURNS TABLE (station text, characteristic text, "position" text, lot text, unit text, lower numeric, upper numeric,
    subgroup bigint, pieces bigint, mean numeric, range numeric, standard_deviation numeric, smallest numeric,
    largest numeric, first_at timestamp with time zone, last_at timestamp with time zone, complete boolean,
    "values" numeric[], ids text[])
LANGUAGE sql STABLE AS $body$
SELECT station, characteristic, position, lot, unit, lower, upper, subgroup, count(*), avg(value),
    max(value) - min(value), stddev_samp(value), min(value), max(value), min(measured_at), max(measured_at),
    count(*) = size, array_agg(value ORDER BY place), array_agg(id ORDER BY place)
FROM (SELECT *, (place - 1) / size + 1 AS subgroup FROM (
    SELECT *, row_number() OVER (PARTITION BY station, characteristic, position, lot, unit, lower, upper
        ORDER BY measured_at, id) AS place
    FROM gaugepost.last_results WHERE value IS NOT NULL AND verdict <> 'not-judged' AND NOT suspect
) placed) grouped
GROUP BY station, characteristic, position, lot, unit, lower, upper, subgroup
$body$;

CREATE OR REPLACE VIEW gaugepost.spc_subgroups AS SELECT * FROM gaugepost.subgroups(5);
COMMENT ON VIEW gaugepost.spc_subgroups IS
    'Consecutive pieces of a lot, 5 at a time; what was not judged or is suspect is left out. Of 4: subgroups(4)';

-- What was measured again is joined once for the whole list: looked for by each row, it took the square of the rows.
-- No position or lot is a line break: NULLs are compared as one, since the server joins by what is equal.
CREATE OR REPLACE VIEW gaugepost.suspect_list AS
SELECT x.station, x.gauge, x.characteristic, x.position, x.lot, x.piece, x.attempt, x.measured_at, x.value, x.unit,
    x.verdict, x.decision, x.id, again.id IS NOT NULL AS measured_again
FROM gaugepost.standing x LEFT JOIN gaugepost.last_results again
    ON again.station = x.station AND again.characteristic = x.characteristic AND again.piece = x.piece
    AND coalesce(again.position, E'\n') = coalesce(x.position, E'\n')
    AND coalesce(again.lot, E'\n') = coalesce(x.lot, E'\n')
    AND NOT again.suspect AND again.verdict <> 'not-judged' AND NOT again.left_behind
WHERE x.suspect AND x.value_mm IS NOT NULL;
COMMENT ON VIEW gaugepost.suspect_list IS
    'What a failed check put in doubt and nobody voided or lifted; measured_again: a later attempt stands and counts';

CREATE OR REPLACE VIEW gaugepost.checks AS
SELECT station, gauge, measured_at, kind, code, master, error_mm, limit_mm, value_mm, reasons, operator, id
FROM gaugepost.record WHERE kind IN ('mastering', 'check');
COMMENT ON VIEW gaugepost.checks IS 'Masterings and checks of every gauge, with what they were off';

CREATE OR REPLACE VIEW gaugepost.suspects AS
SELECT s.station, s.gauge, s.master, s.first, s.last, s.count, s.measured_at AS marked_at, s.operator AS marked_by,
    s.text AS reason, l.id IS NULL AS open, l.measured_at AS lifted_at, l.operator AS lifted_by,
    l.text AS lifted_because, s.id, l.id AS lifted_id
FROM gaugepost.record s LEFT JOIN gaugepost.record l ON l.replaces = s.id AND l.kind = 'lifted'
WHERE s.kind = 'suspect';
COMMENT ON VIEW gaugepost.suspects IS 'Every mark of doubt: whether it is open, or by whom it was lifted and why';

INSERT INTO gaugepost.layout (number, views) VALUES (:layout, :views)
ON CONFLICT (number) DO UPDATE SET views = excluded.views WHERE layout.views < excluded.views;
