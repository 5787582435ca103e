BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0002');
CREATE TABLE estimates (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	revision INTEGER NOT NULL, 
	status VARCHAR NOT NULL, 
	content JSON NOT NULL, 
	content_hash VARCHAR NOT NULL, 
	pdf BLOB, 
	decided_on DATE, 
	created DATETIME NOT NULL, 
	updated DATETIME NOT NULL, 
	CONSTRAINT pk_estimates PRIMARY KEY (id), 
	CONSTRAINT fk_estimates_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT uq_estimates_job_id_revision UNIQUE (job_id, revision)
);
CREATE TABLE hand_measures (
	id INTEGER NOT NULL, 
	photo_id INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	points JSON NOT NULL, 
	ask JSON NOT NULL, 
	result JSON NOT NULL, 
	version VARCHAR NOT NULL, 
	note VARCHAR NOT NULL, 
	created DATETIME NOT NULL, 
	removed DATETIME, 
	CONSTRAINT pk_hand_measures PRIMARY KEY (id), 
	CONSTRAINT fk_hand_measures_photo_id_photos FOREIGN KEY(photo_id) REFERENCES photos (id)
);
CREATE TABLE inspections (
	id INTEGER NOT NULL, 
	photo_id INTEGER NOT NULL, 
	ask JSON NOT NULL, 
	answer JSON NOT NULL, 
	version VARCHAR NOT NULL, 
	reading_count INTEGER NOT NULL, 
	created DATETIME NOT NULL, 
	superseded_by INTEGER, 
	restored_from INTEGER, 
	CONSTRAINT pk_inspections PRIMARY KEY (id), 
	CONSTRAINT fk_inspections_photo_id_photos FOREIGN KEY(photo_id) REFERENCES photos (id), 
	CONSTRAINT fk_inspections_restored_from_inspections FOREIGN KEY(restored_from) REFERENCES inspections (id), 
	CONSTRAINT fk_inspections_superseded_by_inspections FOREIGN KEY(superseded_by) REFERENCES inspections (id)
);
INSERT INTO "inspections" VALUES(1,1,'{"view":"plan","scale":{"kind":"strip","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":640.0,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]}','{"format":1,"view":"plan","version":"0.1.0","photo":{"name":"a.jpg","sha256":"29006c6808d1964e684472129deead855d87837ae0bcee271f83fbb2773539f9","width_px":160,"height_px":120},"options":{"view":"plan","scale":{"kind":"strip","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":640.0,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]},"flags":["FOCAL_ASSUMED"],"checks":{"spacing_ratio":1.0004,"spacing_ratio_u":0.0008},"not_measured":[{"what":"fret 5, flats","reason":"glare over the crown"}],"frets":[{"number":3,"position":{"value":1.125,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"length":{"value":1.25,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"crown_width":{"value":1.375,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"crown_height":{"value":1.5,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"crown_radius":{"value":1.625,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"flat_width":{"value":1.75,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"tang_width":{"value":1.875,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"tang_depth":{"value":2.0,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"crown_line_radius":{"value":2.125,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"blind_depth":{"value":2.25,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"bevel_straight":{"value":2.625,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"tip_radius":{"value":2.75,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"overhang":{"value":2.875,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"bevel":{"treble":{"value":41.0,"u":0.4,"unit":"deg","contributions":{"edge noise":0.4},"flags":[],"by_hand":false},"bass":{"value":42.0,"u":0.4,"unit":"deg","contributions":{"edge noise":0.4},"flags":[],"by_hand":false}},"flats":[{"from_treble_end":{"value":12.0,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"length":{"value":4.0,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"width":{"value":0.9,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"depth":{"value":0.05,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":["INDIRECT"],"by_hand":false}},{"from_treble_end":{"value":21.5,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"length":{"value":3.0,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"width":{"value":0.6,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false}}],"divots":[{"from_treble_end":{"value":12.1,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"length":{"value":4.2,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"depth":{"value":0.06,"u":0.02,"unit":"mm","contributions":{"edge noise":0.016,"scale":0.012},"flags":[],"by_hand":false}}],"outlines":[{"name":"crown_edge","points":[[10.5,20.0],[10.5,90.25]],"closed":false,"of":"fret 3, crown width"},{"name":"flat","points":[[9.0,40.0],[12.0,45.0],[9.0,50.0]],"closed":true,"of":"fret 3, flats 1"}]}],"scale":{"kind":"strip","plane":"crown","residual_px":0.08,"points":40,"outline":{"name":"scale","points":[[1.0,1.0],[50.0,1.0],[50.0,9.0]],"closed":true,"of":""}},"camera":{"focal_px":3000.0,"focal_source":"EXIF","k1":-0.02,"distance_mm":350.0,"tilt_deg":3.2,"px_per_mm":8.5},"first_fret":3}','0.1.0',25,'2026-11-29 02:34:30.847338',2,NULL);
INSERT INTO "inspections" VALUES(2,1,'{"view":"plan","scale":{"kind":"strip","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":640.0,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[{"what":"fret 3, crown nut side","points":[[10.0,20.0],[10.0,90.0]]},{"what":"fret 3, flats 1, treble end","points":[[12.0,44.0]]}]}','{"format":1,"view":"plan","version":"0.1.0","photo":{"name":"a.jpg","sha256":"29006c6808d1964e684472129deead855d87837ae0bcee271f83fbb2773539f9","width_px":160,"height_px":120},"options":{"view":"plan","scale":{"kind":"strip","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":640.0,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[{"what":"fret 3, crown nut side","points":[[10.0,20.0],[10.0,90.0]]},{"what":"fret 3, flats 1, treble end","points":[[12.0,44.0]]}]},"flags":["FOCAL_ASSUMED"],"checks":{"spacing_ratio":1.0004,"spacing_ratio_u":0.0008},"not_measured":[{"what":"fret 5, flats","reason":"glare over the crown"}],"frets":[{"number":3,"position":{"value":1.125,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"length":{"value":1.25,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"crown_width":{"value":1.375,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"crown_height":{"value":1.5,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"crown_radius":{"value":1.625,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"flat_width":{"value":1.75,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"tang_width":{"value":1.875,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"tang_depth":{"value":2.0,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"crown_line_radius":{"value":2.125,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"blind_depth":{"value":2.25,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"bevel_straight":{"value":2.625,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"tip_radius":{"value":2.75,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"overhang":{"value":2.875,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"bevel":{"treble":{"value":41.0,"u":0.4,"unit":"deg","contributions":{"edge noise":0.4},"flags":[],"by_hand":false},"bass":{"value":42.0,"u":0.4,"unit":"deg","contributions":{"edge noise":0.4},"flags":[],"by_hand":false}},"flats":[{"from_treble_end":{"value":12.0,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"length":{"value":4.0,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"width":{"value":0.9,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"depth":{"value":0.05,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":["INDIRECT"],"by_hand":false}},{"from_treble_end":{"value":21.5,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"length":{"value":3.0,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"width":{"value":0.6,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false}}],"divots":[{"from_treble_end":{"value":12.1,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"length":{"value":4.2,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false},"depth":{"value":0.06,"u":0.02,"unit":"mm","contributions":{"edge noise":0.016,"scale":0.012},"flags":[],"by_hand":false}}],"outlines":[{"name":"crown_edge","points":[[10.5,20.0],[10.5,90.25]],"closed":false,"of":"fret 3, crown width"},{"name":"flat","points":[[9.0,40.0],[12.0,45.0],[9.0,50.0]],"closed":true,"of":"fret 3, flats 1"}]}],"scale":{"kind":"strip","plane":"crown","residual_px":0.08,"points":40,"outline":{"name":"scale","points":[[1.0,1.0],[50.0,1.0],[50.0,9.0]],"closed":true,"of":""}},"camera":{"focal_px":3000.0,"focal_source":"EXIF","k1":-0.02,"distance_mm":350.0,"tilt_deg":3.2,"px_per_mm":8.5},"first_fret":3}','0.1.0',25,'2026-11-29 02:34:31.303827',NULL,NULL);
CREATE TABLE jobs (
	id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	form_token VARCHAR, 
	revision INTEGER NOT NULL, 
	search_text VARCHAR NOT NULL, 
	customer VARCHAR NOT NULL, 
	contact VARCHAR NOT NULL, 
	instrument_name VARCHAR NOT NULL, 
	instrument_kind VARCHAR NOT NULL, 
	scale_length DOUBLE, 
	frets INTEGER, 
	strings INTEGER, 
	spread_nut DOUBLE, 
	spread_bridge DOUBLE, 
	board_wood VARCHAR NOT NULL, 
	radius_nut DOUBLE, 
	radius_last DOUBLE, 
	binding BOOLEAN NOT NULL, 
	nibs BOOLEAN NOT NULL, 
	present_wire VARCHAR NOT NULL, 
	crown_width DOUBLE, 
	crown_height DOUBLE, 
	asked_for VARCHAR NOT NULL, 
	promised DATE, 
	created DATETIME NOT NULL, 
	updated DATETIME NOT NULL, 
	CONSTRAINT pk_jobs PRIMARY KEY (id), 
	CONSTRAINT uq_jobs_form_token UNIQUE (form_token), 
	CONSTRAINT uq_jobs_number UNIQUE (number)
);
INSERT INTO "jobs" VALUES(1,1,NULL,1,'#1
harbour street music school
front desk
loan no. 7
school guitar

buzzes
2026-11-29
','Harbour Street Music School','front desk','loan no. 7','school guitar',640.0,20,6,NULL,NULL,'',NULL,NULL,0,0,'',NULL,NULL,'buzzes',NULL,'2026-11-29 02:34:30.684351','2026-11-29 02:34:31.352667');
CREATE TABLE judgements (
	id INTEGER NOT NULL, 
	inspection_id INTEGER NOT NULL, 
	reading VARCHAR NOT NULL, 
	verdict VARCHAR NOT NULL, 
	reason VARCHAR NOT NULL, 
	at DATETIME NOT NULL, 
	carried_from INTEGER, 
	CONSTRAINT pk_judgements PRIMARY KEY (id), 
	CONSTRAINT fk_judgements_carried_from_judgements FOREIGN KEY(carried_from) REFERENCES judgements (id), 
	CONSTRAINT fk_judgements_inspection_id_inspections FOREIGN KEY(inspection_id) REFERENCES inspections (id)
);
INSERT INTO "judgements" VALUES(1,1,'fret 3, crown width','accept','','2026-11-29 02:34:31.209689',NULL);
INSERT INTO "judgements" VALUES(2,1,'fret 3, flats 2, width','reject','a scratch','2026-11-29 02:34:31.255382',NULL);
INSERT INTO "judgements" VALUES(3,2,'fret 3, crown width','accept','','2026-11-29 02:34:31.209689',1);
INSERT INTO "judgements" VALUES(4,2,'fret 3, flats 2, width','reject','a scratch','2026-11-29 02:34:31.255382',2);
CREATE TABLE photos (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	visit_id INTEGER NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	suffix VARCHAR NOT NULL, 
	size_bytes INTEGER NOT NULL, 
	width_px INTEGER NOT NULL, 
	height_px INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	"view" VARCHAR NOT NULL, 
	note VARCHAR NOT NULL, 
	category VARCHAR NOT NULL, 
	added DATETIME NOT NULL, 
	removed DATETIME, 
	CONSTRAINT pk_photos PRIMARY KEY (id), 
	CONSTRAINT fk_photos_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT fk_photos_visit_id_visits FOREIGN KEY(visit_id) REFERENCES visits (id), 
	CONSTRAINT uq_photos_job_id_sha256 UNIQUE (job_id, sha256)
);
INSERT INTO "photos" VALUES(1,1,1,'29006c6808d1964e684472129deead855d87837ae0bcee271f83fbb2773539f9','.jpg',15337,160,120,'a.jpg','plan','','','2026-11-29 02:34:30.783798',NULL);
CREATE TABLE prints (
	id INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	bar_nominal DOUBLE NOT NULL, 
	bar_measured DOUBLE NOT NULL, 
	factor DOUBLE NOT NULL, 
	note VARCHAR NOT NULL, 
	created DATETIME NOT NULL, 
	CONSTRAINT pk_prints PRIMARY KEY (id)
);
CREATE TABLE settings (
	"key" VARCHAR NOT NULL, 
	value JSON NOT NULL, 
	updated DATETIME NOT NULL, 
	CONSTRAINT pk_settings PRIMARY KEY ("key")
);
CREATE TABLE terms (
	job_id INTEGER NOT NULL, 
	limits JSON NOT NULL, 
	prices JSON NOT NULL, 
	wire_id INTEGER, 
	bevel_deg DOUBLE NOT NULL, 
	choice VARCHAR NOT NULL, 
	note VARCHAR NOT NULL, 
	updated DATETIME NOT NULL, 
	CONSTRAINT pk_terms PRIMARY KEY (job_id), 
	CONSTRAINT fk_terms_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT fk_terms_wire_id_wires FOREIGN KEY(wire_id) REFERENCES wires (id)
);
CREATE TABLE visits (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	label VARCHAR NOT NULL, 
	date DATE NOT NULL, 
	CONSTRAINT pk_visits PRIMARY KEY (id), 
	CONSTRAINT fk_visits_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT uq_visits_job_id_label UNIQUE (job_id, label)
);
INSERT INTO "visits" VALUES(1,1,'intake','2026-11-29');
CREATE TABLE wires (
	id INTEGER NOT NULL, 
	label VARCHAR NOT NULL, 
	material VARCHAR NOT NULL, 
	crown_width DOUBLE NOT NULL, 
	crown_height DOUBLE NOT NULL, 
	tang_width DOUBLE, 
	tang_depth DOUBLE, 
	price INTEGER NOT NULL, 
	removed DATETIME, 
	CONSTRAINT pk_wires PRIMARY KEY (id)
);
CREATE INDEX ix_jobs_updated ON jobs (updated);
CREATE INDEX ix_photos_sha256 ON photos (sha256);
CREATE INDEX ix_photos_visit_id ON photos (visit_id);
CREATE INDEX ix_hand_measures_photo_id ON hand_measures (photo_id);
CREATE INDEX ix_inspections_photo_id ON inspections (photo_id);
CREATE INDEX ix_judgements_inspection_id ON judgements (inspection_id);
CREATE TRIGGER estimates_frozen BEFORE UPDATE ON estimates WHEN OLD.status <> 'draft' AND (NEW.job_id IS NOT OLD.job_id OR NEW.revision IS NOT OLD.revision OR NEW.content IS NOT OLD.content OR NEW.content_hash IS NOT OLD.content_hash OR NEW.pdf IS NOT OLD.pdf OR NEW.created IS NOT OLD.created OR NEW.status = 'draft') BEGIN SELECT RAISE(ABORT, 'an issued estimate does not change'); END;
CREATE TRIGGER estimates_kept BEFORE DELETE ON estimates WHEN OLD.status <> 'draft' BEGIN SELECT RAISE(ABORT, 'an issued estimate is kept'); END;
COMMIT;
