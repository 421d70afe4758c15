-- The table, its months, and what makes a month. Each statement may be repeated: what is there stays.
CREATE SCHEMA IF NOT EXISTS gaugepost;
CREATE SEQUENCE IF NOT EXISTS gaugepost.arrival;

CREATE TABLE IF NOT EXISTS gaugepost.record (
    arrival bigint NOT NULL DEFAULT nextval('gaugepost.arrival'),
    arrived_at timestamp with time zone NOT NULL DEFAULT now(),
    -- columns
    PRIMARY KEY (id, measured_at)
) PARTITION BY RANGE (measured_at);
COMMENT ON TABLE gaugepost.record IS
    'A row a record, as published, never changed; columns as deploy/vocabulary.md has them, and when it came here';

CREATE TABLE IF NOT EXISTS gaugepost.record_other PARTITION OF gaugepost.record DEFAULT;
COMMENT ON TABLE gaugepost.record_other IS 'Records of months that have no table of their own';

CREATE INDEX IF NOT EXISTS record_arrival ON gaugepost.record (arrival);
CREATE INDEX IF NOT EXISTS record_characteristic ON gaugepost.record (characteristic, measured_at)
    WHERE characteristic IS NOT NULL;
CREATE INDEX IF NOT EXISTS record_gauge ON gaugepost.record (gauge, measured_at) WHERE gauge IS NOT NULL;
CREATE INDEX IF NOT EXISTS record_piece ON gaugepost.record (lot, piece) WHERE piece IS NOT NULL;
CREATE INDEX IF NOT EXISTS record_replaces ON gaugepost.record (replaces) WHERE replaces IS NOT NULL;
CREATE INDEX IF NOT EXISTS record_kind ON gaugepost.record (kind, measured_at) WHERE kind NOT IN ('reading', 'result');

CREATE TABLE IF NOT EXISTS gaugepost.layout (number integer PRIMARY KEY, views integer NOT NULL);
COMMENT ON TABLE gaugepost.layout IS 'What this schema was made for; stations look here before they write';

-- For stations that may not make tables. The month is filled and then attached, which lets everybody go on with all
-- other months; only record_other, where little is, is locked for that moment.
CREATE OR REPLACE FUNCTION gaugepost.make_month(month date) RETURNS boolean
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp SET timezone = 'UTC' AS $body$
DECLARE
    beginning timestamp with time zone := date_trunc('month', month);
    ending timestamp with time zone := beginning + interval '1 month';
    made text := 'gaugepost.record_' || to_char(month, 'YYYY_MM');
    columns text;
BEGIN
    IF month NOT BETWEEN date '2000-01-01' AND date '2099-12-31' THEN
        RETURN false;
    END IF;
    PERFORM pg_advisory_xact_lock(hashtextextended('gaugepost.record', 0));
    IF to_regclass(made) IS NOT NULL THEN
        RETURN false;
    END IF;
    LOCK TABLE gaugepost.record_other IN ACCESS EXCLUSIVE MODE;
    SELECT string_agg(quote_ident(attname), ', ') INTO columns FROM pg_attribute
    WHERE attrelid = 'gaugepost.record'::regclass AND attnum > 0 AND NOT attisdropped;
    EXECUTE format('CREATE TABLE %s (LIKE gaugepost.record INCLUDING ALL)', made);
    EXECUTE format('INSERT INTO %1$s (%2$s) SELECT %2$s FROM gaugepost.record_other '
        'WHERE measured_at >= %3$L AND measured_at < %4$L', made, columns, beginning, ending);
    DELETE FROM gaugepost.record_other WHERE measured_at >= beginning AND measured_at < ending;
    EXECUTE format('ALTER TABLE gaugepost.record ATTACH PARTITION %s FOR VALUES FROM (%L) TO (%L)',
        made, beginning, ending);
    RETURN true;
END
$body$;
REVOKE ALL ON FUNCTION gaugepost.make_month(date) FROM PUBLIC;
