-- A bench log as schema revision 0001 wrote it (sqlite3 dump); never to be edited.
BEGIN TRANSACTION;
CREATE TABLE clocks (
	id INTEGER NOT NULL, 
	name VARCHAR(80) NOT NULL, 
	added_at DATETIME NOT NULL, 
	kind TEXT NOT NULL, 
	nominal_period_s DOUBLE, 
	lift_deg DOUBLE, 
	lift_tolerance_deg DOUBLE NOT NULL, 
	arc_low_deg DOUBLE, 
	arc_high_deg DOUBLE, 
	knock_arc_deg DOUBLE, 
	roller_radius_mm DOUBLE, 
	side_a_name TEXT NOT NULL, 
	side_b_name TEXT NOT NULL, 
	strip_material TEXT NOT NULL, 
	strip_thickness_um DOUBLE, 
	strip_width_mm DOUBLE, 
	strip_length_mm DOUBLE, 
	hanging_mass_g DOUBLE, 
	balance_inertia_g_mm2 DOUBLE, 
	weight_radius_mm DOUBLE, 
	weight_total_g DOUBLE, 
	regulator_unit TEXT NOT NULL, 
	regulator_low DOUBLE, 
	regulator_high DOUBLE, 
	regulator_setting DOUBLE, 
	regulator_s_per_day_per_unit DOUBLE, 
	u_regulator_s_per_day_per_unit DOUBLE, 
	notes TEXT NOT NULL, 
	CONSTRAINT pk_clocks PRIMARY KEY (id), 
	CONSTRAINT uq_clocks_name UNIQUE (name)
);
INSERT INTO "clocks" VALUES(1,'Harbour lamp','2026-11-25 09:02:01.163363','air-driven',60.0,20.0,0.5,360.0,540.0,600.0,NULL,'towards the window','','',76.0,NULL,NULL,NULL,NULL,NULL,NULL,'',NULL,NULL,NULL,NULL,NULL,'');
INSERT INTO "clocks" VALUES(2,'Schoolroom','2026-11-25 09:02:01.186221','400-day',15.0,NULL,0.0,NULL,NULL,NULL,NULL,'','','',NULL,NULL,NULL,NULL,NULL,NULL,NULL,'',NULL,NULL,NULL,NULL,NULL,'');
CREATE TABLE free_swings (
	id INTEGER NOT NULL, 
	clock_id INTEGER NOT NULL, 
	done_at DATETIME NOT NULL, 
	law TEXT NOT NULL, 
	q DOUBLE, 
	u_q DOUBLE, 
	settling_time_s DOUBLE, 
	document JSON NOT NULL, 
	CONSTRAINT pk_free_swings PRIMARY KEY (id), 
	CONSTRAINT fk_free_swings_clock_id_clocks FOREIGN KEY(clock_id) REFERENCES clocks (id)
);
INSERT INTO "free_swings" VALUES(1,1,'2026-02-03 20:00:00.000000','air drag',490.0,12.0,9360.0,'{"period_s": 60.0, "points": [[0, 400], [1800, 330]]}');
CREATE TABLE hand_checks (
	id INTEGER NOT NULL, 
	clock_id INTEGER NOT NULL, 
	checked_at DATETIME NOT NULL, 
	rate_s_per_day DOUBLE NOT NULL, 
	u_rate_s_per_day DOUBLE NOT NULL, 
	span_h DOUBLE NOT NULL, 
	sightings JSON NOT NULL, 
	remarks TEXT NOT NULL, 
	CONSTRAINT pk_hand_checks PRIMARY KEY (id), 
	CONSTRAINT fk_hand_checks_clock_id_clocks FOREIGN KEY(clock_id) REFERENCES clocks (id)
);
INSERT INTO "hand_checks" VALUES(1,1,'2026-02-17 20:00:00.000000',2.57142857142857161889e+00,0.3,168.0,'[{"at": "2026-02-10T20:00:00+00:00", "hand_minus_true_s": 0.0, "reading_error_s": 3.0}, {"at": "2026-02-17T20:00:00+00:00", "hand_minus_true_s": 18.0, "reading_error_s": 3.0}]','');
CREATE TABLE notes (
	id INTEGER NOT NULL, 
	clock_id INTEGER NOT NULL, 
	written_at DATETIME NOT NULL, 
	text TEXT NOT NULL, 
	CONSTRAINT pk_notes PRIMARY KEY (id), 
	CONSTRAINT fk_notes_clock_id_clocks FOREIGN KEY(clock_id) REFERENCES clocks (id)
);
INSERT INTO "notes" VALUES(1,1,'2026-02-03 20:00:00.000000','Bellows hold air.
Palette clean, naïve wear on fork.');
INSERT INTO "notes" VALUES(2,2,'2026-02-03 20:00:00.000000','Waiting for a strip.');
CREATE TABLE readings (
	id INTEGER NOT NULL, 
	clock_id INTEGER NOT NULL, 
	taken_at DATETIME NOT NULL, 
	kept_at DATETIME NOT NULL, 
	recording_path TEXT NOT NULL, 
	recording_sha256 VARCHAR(64) NOT NULL, 
	duration_s DOUBLE, 
	period_s DOUBLE, 
	u_period_s DOUBLE, 
	rate_s_per_day DOUBLE, 
	u_rate_s_per_day DOUBLE, 
	beat_error_ms DOUBLE, 
	u_beat_error_ms DOUBLE, 
	offset_deg DOUBLE, 
	u_offset_deg DOUBLE, 
	arc_deg DOUBLE, 
	u_arc_deg DOUBLE, 
	arc_trend_deg_per_hour DOUBLE, 
	u_arc_trend_deg_per_hour DOUBLE, 
	beats_expected INTEGER, 
	beats_heard INTEGER, 
	document JSON NOT NULL, 
	CONSTRAINT pk_readings PRIMARY KEY (id), 
	CONSTRAINT fk_readings_clock_id_clocks FOREIGN KEY(clock_id) REFERENCES clocks (id)
);
INSERT INTO "readings" VALUES(1,1,'2026-02-04 20:00:00.000000','2026-11-25 09:02:01.214253','/home/bench/night1.flac','abababababababababababababababababababababababababababababababab',2400.0,5.92999313658201714343e+01,1.73611111111111101473e-03,1020.0,2.5,-412.5,0.25,NULL,NULL,431.2,0.8,-0.31,0.4,80,79,'{"schema": 1, "torsionbeat": "0.1.0", "recording": {"name": "night1.flac", "duration_s": 2400.0, "sample_rate_hz": 48000, "channels": 1, "gaps": [[100.0, 101.5]]}, "timebase": {"source": "unknown", "offset_ppm": 0.0, "standard_uncertainty_ppm": 28.867513459481287}, "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0}, "period_s": {"value": 59.29993136582017, "standard_uncertainty": 0.001736111111111111}, "rate_s_per_day": {"value": 1020.0, "standard_uncertainty": 2.5}, "beat_error_ms": {"value": -412.5, "standard_uncertainty": 0.25}, "offset_deg": null, "arc_deg": {"value": 431.2, "standard_uncertainty": 0.8}, "arc_trend_deg_per_hour": {"value": -0.31, "standard_uncertainty": 0.4}, "beats": {"expected": 80, "heard": 79}, "swings": [{"time_s": 12.25, "side": "a", "period_s": null, "arc_deg": 431.0}, {"time_s": 42.3, "side": "b", "period_s": 59.98, "arc_deg": null}], "remarks": ["One beat was lost under a slammed door: \u201cbang\u201d."]}');
INSERT INTO "readings" VALUES(2,1,'2026-02-06 20:00:00.000007','2026-11-25 09:02:01.222101','','',2400.0,5.99968751627519409925e+01,2.08333333333333346705e-04,4.5,0.3,-412.5,0.25,NULL,NULL,431.2,0.8,-0.31,0.4,80,79,'{"schema": 1, "torsionbeat": "0.1.0", "recording": {"name": "night2.flac", "duration_s": 2400.0, "sample_rate_hz": 48000, "channels": 1, "gaps": [[100.0, 101.5]]}, "timebase": {"source": "host clock", "offset_ppm": 3.25, "standard_uncertainty_ppm": 0.125}, "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0}, "period_s": {"value": 59.99687516275194, "standard_uncertainty": 0.00020833333333333335}, "rate_s_per_day": {"value": 4.5, "standard_uncertainty": 0.3}, "beat_error_ms": {"value": -412.5, "standard_uncertainty": 0.25}, "offset_deg": null, "arc_deg": {"value": 431.2, "standard_uncertainty": 0.8}, "arc_trend_deg_per_hour": {"value": -0.31, "standard_uncertainty": 0.4}, "beats": {"expected": 80, "heard": 79}, "swings": [{"time_s": 12.25, "side": "a", "period_s": null, "arc_deg": 431.0}, {"time_s": 42.3, "side": "b", "period_s": 59.98, "arc_deg": null}], "remarks": ["One beat was lost under a slammed door: \u201cbang\u201d."]}');
CREATE TABLE torsionbeat_schema (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT torsionbeat_schema_pkc PRIMARY KEY (version_num)
);
INSERT INTO "torsionbeat_schema" VALUES('0001');
CREATE TABLE trials (
	id INTEGER NOT NULL, 
	clock_id INTEGER NOT NULL, 
	work_id INTEGER NOT NULL, 
	reading_id INTEGER NOT NULL, 
	reading_before_id INTEGER, 
	expected_rate_s_per_day DOUBLE, 
	u_expected_rate_s_per_day DOUBLE, 
	details JSON NOT NULL, 
	CONSTRAINT pk_trials PRIMARY KEY (id), 
	CONSTRAINT fk_trials_work_id_works FOREIGN KEY(work_id) REFERENCES works (id), 
	CONSTRAINT fk_trials_reading_id_readings FOREIGN KEY(reading_id) REFERENCES readings (id), 
	CONSTRAINT fk_trials_reading_before_id_readings FOREIGN KEY(reading_before_id) REFERENCES readings (id), 
	CONSTRAINT fk_trials_clock_id_clocks FOREIGN KEY(clock_id) REFERENCES clocks (id)
);
INSERT INTO "trials" VALUES(1,1,2,2,1,0.0,30.0,'{}');
CREATE TABLE works (
	id INTEGER NOT NULL, 
	clock_id INTEGER NOT NULL, 
	done_at DATETIME NOT NULL, 
	kind TEXT NOT NULL, 
	what TEXT NOT NULL, 
	details JSON NOT NULL, 
	CONSTRAINT pk_works PRIMARY KEY (id), 
	CONSTRAINT ck_works_kind CHECK (kind IN ('spring', 'weights', 'regulator', 'cleaning', 'beat', 'level', 'other')), 
	CONSTRAINT fk_works_clock_id_clocks FOREIGN KEY(clock_id) REFERENCES clocks (id)
);
INSERT INTO "works" VALUES(1,1,'2026-02-03 20:00:00.000000','spring','New strip, 0.076 mm','{"strip_thickness_um": 76.0}');
INSERT INTO "works" VALUES(2,1,'2026-02-05 20:00:00.000000','weights','3.4 g a side added','{"added_g": 6.8}');
CREATE INDEX ix_works_clock_id ON works (clock_id);
CREATE INDEX ix_readings_clock_id ON readings (clock_id);
CREATE INDEX ix_trials_clock_id ON trials (clock_id);
CREATE INDEX ix_hand_checks_clock_id ON hand_checks (clock_id);
CREATE INDEX ix_free_swings_clock_id ON free_swings (clock_id);
CREATE INDEX ix_notes_clock_id ON notes (clock_id);
COMMIT;
