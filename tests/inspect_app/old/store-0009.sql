BEGIN TRANSACTION;
CREATE TABLE actions (
	id INTEGER NOT NULL, 
	mark VARCHAR NOT NULL, 
	CONSTRAINT pk_actions PRIMARY KEY (id)
);
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0009');
CREATE TABLE answers (
	id INTEGER NOT NULL, 
	estimate_id INTEGER NOT NULL, 
	accepted BOOLEAN NOT NULL, 
	"by" VARCHAR NOT NULL, 
	how VARCHAR NOT NULL, 
	"on" DATE NOT NULL, 
	note VARCHAR NOT NULL, 
	pdf_sha256 VARCHAR(64) NOT NULL, 
	written DATETIME NOT NULL, 
	taken_back DATETIME, 
	CONSTRAINT pk_answers PRIMARY KEY (id), 
	CONSTRAINT fk_answers_estimate_id_estimates FOREIGN KEY(estimate_id) REFERENCES estimates (id)
);
INSERT INTO "answers" VALUES(1,1,1,'A. Customer','signed','2026-11-29','','206baf64043322e89954d64839b559ef5359213023b2b5c4593695e63bd63a37','2026-11-29 15:40:42.243643',NULL);
CREATE TABLE bench_checks (
	id INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	"view" VARCHAR NOT NULL, 
	result JSON NOT NULL, 
	version VARCHAR NOT NULL, 
	created DATETIME NOT NULL, 
	retired DATETIME, 
	CONSTRAINT pk_bench_checks PRIMARY KEY (id)
);
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
INSERT INTO "estimates" VALUES(1,1,1,'accepted','{"job":"1","revision":1,"currency":"USD","minor_digits":2,"made_on":"2026-11-29","valid_until":"2026-12-29","option":"level, crown and polish","lines":[{"text":"Level, crown and polish all frets","quantity":"2.5","unit":"h","unit_price":7500,"taxable":true},{"text":"Set-up after the work","quantity":"1.0","unit":"h","unit_price":7500,"taxable":true},{"text":"Consumables","quantity":"1","unit":"lot","unit_price":800,"taxable":true}],"discount_percent":"0","tax_percent":"0","deposit_percent":"30","reason":"The deepest wear, 0.200 ± 0.010 mm, is on fret 2. Levelling all frets cleans it up and still leaves 0.80 ± 0.06 mm of crown on the lowest.","note":"","alternatives":[["leave",1875],["dress single frets",10500],["recrown and polish",13925],["replace the worst and level",30270],["full refret",61370]],"evidence":[],"forecast":[[1,0.88,0.036],[2,0.8796,0.0362],[3,0.8001,0.0308],[4,0.8798,0.0366],[5,0.8798,0.0362],[6,0.8798,0.0365]],"locale":"","replaced":[],"dressed":[1,2,3,4,5,6],"wire":"","why":""}','0374001dbf55a3654f8dc80e6fe01e92b8b5a1f1d8958ef189ae2fa7985a435b',X'255044462D312E372061732069742077617320697373756564','2026-11-29','2026-11-29 15:40:42.034835','2026-11-29 15:40:42.246930');
CREATE TABLE fret_heights (
	id INTEGER NOT NULL, 
	visit_id INTEGER NOT NULL, 
	fret INTEGER NOT NULL, 
	height DOUBLE, 
	written DATETIME NOT NULL, gauge_id INTEGER, 
	CONSTRAINT pk_fret_heights PRIMARY KEY (id), 
	CONSTRAINT fk_fret_heights_visit_id_visits FOREIGN KEY(visit_id) REFERENCES visits (id)
);
INSERT INTO "fret_heights" VALUES(1,1,3,1.02,'2026-11-29 15:40:41.966324',1);
CREATE TABLE fret_work (
	id INTEGER NOT NULL, 
	visit_id INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	frets JSON NOT NULL, 
	off DOUBLE, 
	off_u DOUBLE, 
	wire_id INTEGER, 
	note VARCHAR NOT NULL, 
	written DATETIME NOT NULL, 
	removed DATETIME, 
	CONSTRAINT pk_fret_work PRIMARY KEY (id), 
	CONSTRAINT fk_fret_work_visit_id_visits FOREIGN KEY(visit_id) REFERENCES visits (id), 
	CONSTRAINT fk_fret_work_wire_id_wires FOREIGN KEY(wire_id) REFERENCES wires (id)
);
INSERT INTO "fret_work" VALUES(1,2,'levelled','[]',0.1,NULL,NULL,'','2026-11-29 15:40:42.263679',NULL);
CREATE TABLE gauges (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	resolution DOUBLE NOT NULL, 
	u DOUBLE NOT NULL, 
	calibrated DATE, 
	created DATETIME NOT NULL, 
	retired DATETIME, 
	CONSTRAINT pk_gauges PRIMARY KEY (id)
);
INSERT INTO "gauges" VALUES(1,'bench','calliper',0.01,0.012,NULL,'2026-11-29 15:40:41.937219',NULL);
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
INSERT INTO "hand_measures" VALUES(1,1,'distance','[[1.5,2.0],[3.0,4.0]]','{}','{"value":1.375,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false}','t','a chip','2026-11-29 15:40:42.258890',NULL);
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
INSERT INTO "inspections" VALUES(1,1,'{"view":"elevation","scale":{"kind":"auto","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0,"at_px":null},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":null,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]}','{"format":1,"view":"elevation","photo":{"name":"e1.jpg","sha256":"914ab142d2863191974bacb9ba74a2b8b0f6f3e8d2b01a2f551063216ba1ea48","width_px":160,"height_px":120},"version":"t","options":{},"frets":[{"number":1,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.15,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":2,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.2,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":3,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]},{"number":4,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.1,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":5,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]},{"number":6,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]}],"not_measured":[],"flags":[],"camera":{"focal_px":4000.0,"focal_source":"EXIF","k1":0.0,"distance_mm":220.0,"tilt_deg":5.0,"px_per_mm":20.0},"checks":{},"first_fret":1}','t',21,'2026-11-29 15:40:41.878697',NULL,NULL);
INSERT INTO "inspections" VALUES(2,2,'{"view":"elevation","scale":{"kind":"auto","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0,"at_px":null},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":null,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]}','{"format":1,"view":"elevation","photo":{"name":"e2.jpg","sha256":"81a2496ee07b06b4197ed7902859e81391b94e90e0a84541e023d3765ec094d9","width_px":160,"height_px":120},"version":"t","options":{},"frets":[{"number":1,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":2,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":3,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":4,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":5,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":6,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]}],"not_measured":[],"flags":[],"camera":{"focal_px":4000.0,"focal_source":"EXIF","k1":0.0,"distance_mm":220.0,"tilt_deg":5.0,"px_per_mm":20.0},"checks":{},"first_fret":1}','t',30,'2026-11-29 15:40:41.903235',NULL,NULL);
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
	updated DATETIME NOT NULL, zero_fret BOOLEAN DEFAULT 0 NOT NULL, lacquered BOOLEAN DEFAULT 0 NOT NULL, multi_scale BOOLEAN DEFAULT 0 NOT NULL, courses INTEGER, 
	CONSTRAINT pk_jobs PRIMARY KEY (id), 
	CONSTRAINT uq_jobs_form_token UNIQUE (form_token), 
	CONSTRAINT uq_jobs_number UNIQUE (number)
);
INSERT INTO "jobs" VALUES(1,1,NULL,1,'#1
a. customer

board no. 6

rosewood
buzzes
2026-11-29
','A. Customer','','Board no. 6','',648.0,6,6,NULL,NULL,'Rosewood',NULL,NULL,0,0,'',NULL,1.1,'Buzzes',NULL,'2026-11-29 15:40:41.830562','2026-11-29 15:40:42.263759',0,0,0,NULL);
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
INSERT INTO "judgements" VALUES(1,1,'fret 1, bevel treble','accept','','2026-11-29 15:40:41.920687',NULL);
INSERT INTO "judgements" VALUES(2,1,'fret 1, divots 1, from treble end','accept','','2026-11-29 15:40:41.920824',NULL);
INSERT INTO "judgements" VALUES(3,1,'fret 1, divots 1, length','accept','','2026-11-29 15:40:41.920868',NULL);
INSERT INTO "judgements" VALUES(4,1,'fret 1, divots 1, depth','accept','','2026-11-29 15:40:41.920900',NULL);
INSERT INTO "judgements" VALUES(5,1,'fret 2, bevel treble','accept','','2026-11-29 15:40:41.920929',NULL);
INSERT INTO "judgements" VALUES(6,1,'fret 2, divots 1, from treble end','accept','','2026-11-29 15:40:41.920959',NULL);
INSERT INTO "judgements" VALUES(7,1,'fret 2, divots 1, length','accept','','2026-11-29 15:40:41.920987',NULL);
INSERT INTO "judgements" VALUES(8,1,'fret 2, divots 1, depth','accept','','2026-11-29 15:40:41.921013',NULL);
INSERT INTO "judgements" VALUES(9,1,'fret 3, bevel treble','accept','','2026-11-29 15:40:41.921040',NULL);
INSERT INTO "judgements" VALUES(10,1,'fret 4, bevel treble','accept','','2026-11-29 15:40:41.921071',NULL);
INSERT INTO "judgements" VALUES(11,1,'fret 4, divots 1, from treble end','accept','','2026-11-29 15:40:41.921096',NULL);
INSERT INTO "judgements" VALUES(12,1,'fret 4, divots 1, length','accept','','2026-11-29 15:40:41.921121',NULL);
INSERT INTO "judgements" VALUES(13,1,'fret 4, divots 1, depth','accept','','2026-11-29 15:40:41.921147',NULL);
INSERT INTO "judgements" VALUES(14,1,'fret 5, bevel treble','accept','','2026-11-29 15:40:41.921170',NULL);
INSERT INTO "judgements" VALUES(15,1,'fret 6, bevel treble','accept','','2026-11-29 15:40:41.921197',NULL);
INSERT INTO "judgements" VALUES(16,2,'fret 1, bevel treble','accept','','2026-11-29 15:40:41.921809',NULL);
INSERT INTO "judgements" VALUES(17,2,'fret 1, divots 1, from treble end','accept','','2026-11-29 15:40:41.921867',NULL);
INSERT INTO "judgements" VALUES(18,2,'fret 1, divots 1, length','accept','','2026-11-29 15:40:41.921899',NULL);
INSERT INTO "judgements" VALUES(19,2,'fret 2, bevel treble','accept','','2026-11-29 15:40:41.921925',NULL);
INSERT INTO "judgements" VALUES(20,2,'fret 2, divots 1, from treble end','accept','','2026-11-29 15:40:41.921949',NULL);
INSERT INTO "judgements" VALUES(21,2,'fret 2, divots 1, length','accept','','2026-11-29 15:40:41.921973',NULL);
INSERT INTO "judgements" VALUES(22,2,'fret 3, bevel treble','accept','','2026-11-29 15:40:41.921996',NULL);
INSERT INTO "judgements" VALUES(23,2,'fret 3, divots 1, from treble end','accept','','2026-11-29 15:40:41.922019',NULL);
INSERT INTO "judgements" VALUES(24,2,'fret 3, divots 1, length','accept','','2026-11-29 15:40:41.922042',NULL);
INSERT INTO "judgements" VALUES(25,2,'fret 4, bevel treble','accept','','2026-11-29 15:40:41.922065',NULL);
INSERT INTO "judgements" VALUES(26,2,'fret 4, divots 1, from treble end','accept','','2026-11-29 15:40:41.922088',NULL);
INSERT INTO "judgements" VALUES(27,2,'fret 4, divots 1, length','accept','','2026-11-29 15:40:41.922110',NULL);
INSERT INTO "judgements" VALUES(28,2,'fret 5, bevel treble','accept','','2026-11-29 15:40:41.922138',NULL);
INSERT INTO "judgements" VALUES(29,2,'fret 5, divots 1, from treble end','accept','','2026-11-29 15:40:41.922160',NULL);
INSERT INTO "judgements" VALUES(30,2,'fret 5, divots 1, length','accept','','2026-11-29 15:40:41.922186',NULL);
INSERT INTO "judgements" VALUES(31,2,'fret 6, bevel treble','accept','','2026-11-29 15:40:41.922208',NULL);
INSERT INTO "judgements" VALUES(32,2,'fret 6, divots 1, from treble end','accept','','2026-11-29 15:40:41.922234',NULL);
INSERT INTO "judgements" VALUES(33,2,'fret 6, divots 1, length','accept','','2026-11-29 15:40:41.922256',NULL);
CREATE TABLE lens_profiles (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	profile JSON NOT NULL, 
	created DATETIME NOT NULL, 
	retired DATETIME, 
	CONSTRAINT pk_lens_profiles PRIMARY KEY (id)
);
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
INSERT INTO "photos" VALUES(1,1,1,'914ab142d2863191974bacb9ba74a2b8b0f6f3e8d2b01a2f551063216ba1ea48','.jpg',12362,160,120,'e1.jpg','elevation','','','2026-11-29 15:40:41.862483',NULL);
INSERT INTO "photos" VALUES(2,1,2,'81a2496ee07b06b4197ed7902859e81391b94e90e0a84541e023d3765ec094d9','.jpg',12396,160,120,'e2.jpg','elevation','','','2026-11-29 15:40:41.893409',NULL);
CREATE TABLE print_bars (
	id INTEGER NOT NULL, 
	print_id INTEGER NOT NULL, 
	measured DOUBLE NOT NULL, 
	gauge_id INTEGER, 
	humidity DOUBLE, 
	created DATETIME NOT NULL, 
	CONSTRAINT pk_print_bars PRIMARY KEY (id), 
	CONSTRAINT fk_print_bars_print_id_prints FOREIGN KEY(print_id) REFERENCES prints (id), 
	CONSTRAINT fk_print_bars_gauge_id_gauges FOREIGN KEY(gauge_id) REFERENCES gauges (id)
);
CREATE TABLE prints (
	id INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	bar_nominal DOUBLE NOT NULL, 
	bar_measured DOUBLE NOT NULL, 
	factor DOUBLE NOT NULL, 
	note VARCHAR NOT NULL, 
	created DATETIME NOT NULL, verified BOOLEAN DEFAULT 1 NOT NULL, retired DATETIME, 
	CONSTRAINT pk_prints PRIMARY KEY (id)
);
CREATE TABLE same_instrument (
	job_id INTEGER NOT NULL, 
	earlier_job_id INTEGER NOT NULL, 
	written DATETIME NOT NULL, 
	CONSTRAINT pk_same_instrument PRIMARY KEY (job_id), 
	CONSTRAINT fk_same_instrument_earlier_job_id_jobs FOREIGN KEY(earlier_job_id) REFERENCES jobs (id), 
	CONSTRAINT fk_same_instrument_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id)
);
CREATE TABLE seals (
	of_table VARCHAR NOT NULL, 
	of_row VARCHAR NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	CONSTRAINT pk_seals PRIMARY KEY (of_table, of_row)
);
INSERT INTO "seals" VALUES('sqlite_master','index ix_answers_estimate_id','8b27456bbd4939064ccabc9b6e21d72008c348cbbd42d0319eb4a868eecd7ac2');
INSERT INTO "seals" VALUES('sqlite_master','index ix_fret_heights_visit_id','464acfd4b7561fc7d33df38db2b6ec077c3df267db4f0538c95aca47302ec1e1');
INSERT INTO "seals" VALUES('sqlite_master','index ix_fret_work_visit_id','0535fdfec934457fac0858fd8a430f0998d3b5d7c0da5eef198fb88975fb7a6d');
INSERT INTO "seals" VALUES('sqlite_master','index ix_hand_measures_photo_id','463d7e60b01935b33d25c9c13f6e7d92932974c90172fa127aa2bce9fac4f664');
INSERT INTO "seals" VALUES('sqlite_master','index ix_inspections_photo_id','f893b9c4993f025b2f1cee427562e9cc821c5f505e904ec615965a733f7550e5');
INSERT INTO "seals" VALUES('sqlite_master','index ix_jobs_updated','b22830f97a4b79361c325d8a7782cd0b5184a808212dbe546796aab7d6d511d1');
INSERT INTO "seals" VALUES('sqlite_master','index ix_judgements_inspection_id','67257f9f0e043e9eda759e7b82889352447483c29ac424f698e2d46f28a300b5');
INSERT INTO "seals" VALUES('sqlite_master','index ix_photos_sha256','4afc4ee64d04746a32d8e29ff5fb0b59577065596a2677d91a92eb83220c88b9');
INSERT INTO "seals" VALUES('sqlite_master','index ix_photos_visit_id','880ce185b8550b8af3af13a983a1bb56bbcef5b00eb47dd0018b828d745e2f10');
INSERT INTO "seals" VALUES('sqlite_master','index ix_print_bars_print_id','b350cad7105cfcde3fe99a6115c56f10d74675195233e721b939bd194901c685');
INSERT INTO "seals" VALUES('sqlite_master','index sqlite_autoindex_alembic_version_1','dc937b59892604f5a86ac96936cd7ff09e25f18ae6b758e8014a24c7fa039e91');
INSERT INTO "seals" VALUES('sqlite_master','index sqlite_autoindex_estimates_1','dc937b59892604f5a86ac96936cd7ff09e25f18ae6b758e8014a24c7fa039e91');
INSERT INTO "seals" VALUES('sqlite_master','index sqlite_autoindex_jobs_1','dc937b59892604f5a86ac96936cd7ff09e25f18ae6b758e8014a24c7fa039e91');
INSERT INTO "seals" VALUES('sqlite_master','index sqlite_autoindex_jobs_2','dc937b59892604f5a86ac96936cd7ff09e25f18ae6b758e8014a24c7fa039e91');
INSERT INTO "seals" VALUES('sqlite_master','index sqlite_autoindex_photos_1','dc937b59892604f5a86ac96936cd7ff09e25f18ae6b758e8014a24c7fa039e91');
INSERT INTO "seals" VALUES('sqlite_master','index sqlite_autoindex_seals_1','dc937b59892604f5a86ac96936cd7ff09e25f18ae6b758e8014a24c7fa039e91');
INSERT INTO "seals" VALUES('sqlite_master','index sqlite_autoindex_settings_1','dc937b59892604f5a86ac96936cd7ff09e25f18ae6b758e8014a24c7fa039e91');
INSERT INTO "seals" VALUES('sqlite_master','index sqlite_autoindex_visits_1','dc937b59892604f5a86ac96936cd7ff09e25f18ae6b758e8014a24c7fa039e91');
INSERT INTO "seals" VALUES('sqlite_master','table actions','f48cee557ef47ab801a69b25a02df671d02f8bb8a9f66c5d34fc98fe14d6b905');
INSERT INTO "seals" VALUES('sqlite_master','table alembic_version','2178ac174921dbea44557d477730d868fc34f8605138a794f77fa6b1e0fbdbee');
INSERT INTO "seals" VALUES('sqlite_master','table answers','906ff8f22aa45d0e08ed57e952355793d026407d162f0e5d50b741e8cbb19f39');
INSERT INTO "seals" VALUES('sqlite_master','table bench_checks','169744d6f603596c3bec728cb340ecf52fb65637ba516be1bcca400047a8482f');
INSERT INTO "seals" VALUES('sqlite_master','table estimates','584ed923e323e2452b95980df399cbcf4262dd7f61fb2f64d927ad5e2a28112b');
INSERT INTO "seals" VALUES('sqlite_master','table fret_heights','f9a728ba630f5945ac2a24c2682cb59477bc3791184569a7115dc6be3ccf8007');
INSERT INTO "seals" VALUES('sqlite_master','table fret_work','f426e4d53b89c92f7b9e6352ceb5d4d1a742adf1041d455c1acff934e6759a50');
INSERT INTO "seals" VALUES('sqlite_master','table gauges','565dce49629ea1946639d7fa8419338727c73d837652989a7729af82c4f4cce4');
INSERT INTO "seals" VALUES('sqlite_master','table hand_measures','6c62e3ce72b2e1ab6b82a8b0808e531337bd2e9a3ee731867ffe87af6b41d4c5');
INSERT INTO "seals" VALUES('sqlite_master','table inspections','fcbb96ba911882bc870e403fcaf2fda660d0be0f4d83c0092fa1a3b779c8b439');
INSERT INTO "seals" VALUES('sqlite_master','table jobs','d3d523a70b4e98e506b24a152641f156c187244da3414f2ea8ddae19e9c12df3');
INSERT INTO "seals" VALUES('sqlite_master','table judgements','4085440b78c5759b0bb9d7035929f8cc927a1367fd1cafeb209e6de9cd3965d0');
INSERT INTO "seals" VALUES('sqlite_master','table lens_profiles','16c5c46a8f844d784cfa37067479f23588a698e5b62cb2b227815d5b165112f1');
INSERT INTO "seals" VALUES('sqlite_master','table photos','74294bf49d642b039e751f91e53b52f39b401356cbd1352a562d0f3ea1d7595d');
INSERT INTO "seals" VALUES('sqlite_master','table print_bars','963f58f706db97a0f84072c76fdc0bad990be0fe8ca333ccd3225f11a6f99e2d');
INSERT INTO "seals" VALUES('sqlite_master','table prints','7a94e570fa14dbb882b27b939705a2f46c6bb840f1df7d251c77f64d7033d326');
INSERT INTO "seals" VALUES('sqlite_master','table same_instrument','75d5b72e4fe9bea2355cd68e3e94706d26e5c942cfe447c69ac42aa46186152f');
INSERT INTO "seals" VALUES('sqlite_master','table seals','8d385a6e608f61956116778771d3a291e7061651fd2b3ec32d688faddff8d5f0');
INSERT INTO "seals" VALUES('sqlite_master','table settings','0fdb5eb4cee53e8cdddfc15026ab6f9d418a0ab7f8673850f062dc250baf2819');
INSERT INTO "seals" VALUES('sqlite_master','table terms','d6a7d012a6308781b825b4ee71e1bde0df1ed1f9867fc1e0ed3384dab57e553a');
INSERT INTO "seals" VALUES('sqlite_master','table visits','39f9fe0e7d353e21ef9d80aa8befe77edad9c7faa37210380ee55fee2953f8a7');
INSERT INTO "seals" VALUES('sqlite_master','table wires','6d3be329abbe49c27fca77081a947086df0fc72f4906921c7de2c2e01b624943');
INSERT INTO "seals" VALUES('sqlite_master','trigger answers_frozen','3d65bfd05bbd85e74581543eba64ffedbd5d453aa3f15fee4493928881400c75');
INSERT INTO "seals" VALUES('sqlite_master','trigger answers_kept','a09f955618382d81f18ddce507bd445b571e03f4639258ceefb089db7e894c6b');
INSERT INTO "seals" VALUES('sqlite_master','trigger estimates_frozen','de6b8ba801650f644344175e8eb5a28464c84aa17f1a15992b65ebd01438c1a1');
INSERT INTO "seals" VALUES('sqlite_master','trigger estimates_kept','f0086901e748813fc79b3e101decc170590f2e882ac1972e65d5163f881924e7');
INSERT INTO "seals" VALUES('answers','1','a1cc9f89dcc406ec89c2203e58d99cea55feef6bc1a01d6661ab38c7284ff168');
INSERT INTO "seals" VALUES('estimates','1','b2b11bccc44d741eca03d5d2838676b47e701c15a219a35158524d695eef57ba');
INSERT INTO "seals" VALUES('fret_heights','1','b814d314f55d6090a8718a177f8ab5562de43046f85748e5b640949f98f021ad');
INSERT INTO "seals" VALUES('fret_work','1','cadb9b30916dee1c7deb9827c72b241a7030e4ecab6c8f4f46194869ecaad7c0');
INSERT INTO "seals" VALUES('gauges','1','b15a4b3e37b161465073c7b79cfe525ce54f6240e889cc4aa9b270f204f0cc7c');
INSERT INTO "seals" VALUES('hand_measures','1','9eb7f5758125d9a1ecf82d5549132011902ce2a40105820ebbc77c4ddcf1c1d8');
INSERT INTO "seals" VALUES('inspections','1','695434c6df40772a6cbd89ab1aaf72f5cf5750c24c75f698b68d7888d2eb8b42');
INSERT INTO "seals" VALUES('inspections','2','8ccc3a7438930e018c749da93cc7d951cd3842a767bcd0063a297ad687b42fa2');
INSERT INTO "seals" VALUES('jobs','1','ac343810d03fdafd170e0da0847b6776069b3d8d954ae338c09b8687b4f35ff9');
INSERT INTO "seals" VALUES('judgements','1','de49d2df5a97158322a5f1e644408ac39c3db4ec575a4321de4f1d2fa12bc29f');
INSERT INTO "seals" VALUES('judgements','2','67c10a81ebefbd130892d14ca2a045b03976544061744d581bb22f12f9636f65');
INSERT INTO "seals" VALUES('judgements','3','11d5f19f57132c8ddfc49a7b0f3cc73c1b1bdcebd9febbe7623f6051594e9c31');
INSERT INTO "seals" VALUES('judgements','4','ceb60cde451842fbd4f07a8c51af0a494d36326392acd9508d7fb4f423d27d13');
INSERT INTO "seals" VALUES('judgements','5','c8ce97fed958527388a36f3e5bf07eb381b71e34bcb49d6a5eb8ff52506b55f3');
INSERT INTO "seals" VALUES('judgements','6','5776b6744abbbd2505bfda9b87937ad9af9891482be03e17d9a7a85e99743693');
INSERT INTO "seals" VALUES('judgements','7','fe25d77eb95aa52273b306ed403d1e870044525b72c59bacef9d69a88420bf1e');
INSERT INTO "seals" VALUES('judgements','8','413db3ba138755f96de7ebb3845a607a39822417cab7521a96f242dd367bf101');
INSERT INTO "seals" VALUES('judgements','9','82107bf93b49bae14f22dfac8978cf5df38ae05ca64a88d7b1bb73c29aa03d17');
INSERT INTO "seals" VALUES('judgements','10','898c512f8960c57c3b3adb165f657cc81cc09b962b11582570b53a4b353353b3');
INSERT INTO "seals" VALUES('judgements','11','9760966925e7b08574ce7e157b8219de780885a161f374b05750d606f08a135e');
INSERT INTO "seals" VALUES('judgements','12','b95fd7b89717e18f0a5652ef7d4e41eeaf98862033abe4122dfcbeffbf56835c');
INSERT INTO "seals" VALUES('judgements','13','49fc01d3c362bf3a764ee7712cb2e6a30ae7c223ba25cad93271010f292270a9');
INSERT INTO "seals" VALUES('judgements','14','d026b0300d1dcd8b57516d6ee09f0fc6afdb6d4a08068c6df8d1c9712dc9c0e4');
INSERT INTO "seals" VALUES('judgements','15','5d766d07c0d06b055247b39b3cce3ec3bc6d0432fed01351d9c7aa0b61f2d8aa');
INSERT INTO "seals" VALUES('judgements','16','9cdc9f4324b83315fa9264cbf4b62d95d9fb57654d279be899c56f5659c8f844');
INSERT INTO "seals" VALUES('judgements','17','5a47a22119a7dbf72d6895940f2923d3fb2b3a16dac89d3ae8db461245bfc65b');
INSERT INTO "seals" VALUES('judgements','18','a380b09103eafb2ec5f5eb0e32c10bd3ab0f3455d05825159c9c7afbbbbb40be');
INSERT INTO "seals" VALUES('judgements','19','5aae99f4eaa39e9549ff2a1e36403f9e6795e48375c7efec816170a9a0f9f9dd');
INSERT INTO "seals" VALUES('judgements','20','c842ca37bb4e3cf9a89aafbcd239a41891e51456d560c72e65bdf873e0fc4239');
INSERT INTO "seals" VALUES('judgements','21','ef3abe4f6177aeb33546cabb32d74b00e09e15d91b2a768c207012350fcd7230');
INSERT INTO "seals" VALUES('judgements','22','2cde5d9fa2bda3152cd4d0b86c4d07e72e1957143533b816e97653e836caa0b2');
INSERT INTO "seals" VALUES('judgements','23','3ac64f92a97ecc688a1e4f4a31a33735490428b24c128d9c236bf169655d9d8b');
INSERT INTO "seals" VALUES('judgements','24','848f3085d19e74a93cd134b379cf1a6109e9aff93d188eb70172162ecc043edb');
INSERT INTO "seals" VALUES('judgements','25','c4a8d0b77a72a534867ca21a654d8b8c8b6e95ac602c0ce6292687fa00899039');
INSERT INTO "seals" VALUES('judgements','26','a19f62c4a077497e9ff1ffc190eb13f64ecbe0e87ed10451286c8cb5d27a8a6d');
INSERT INTO "seals" VALUES('judgements','27','d6780f34c77fdbee5e448d930bf26305cc8acfc00613669f4442d581ae98956e');
INSERT INTO "seals" VALUES('judgements','28','9b47e7d80833ef4fb2c35a30c0559f191f781308c861abe95397c16b91cda476');
INSERT INTO "seals" VALUES('judgements','29','f2719da3b3f4c0306608a000aa20c6998d0a00ba3ef962b528e684a630d5fe3e');
INSERT INTO "seals" VALUES('judgements','30','1e3770cb17503775245bff0e035cd097c8593b94569773db0b516f36f74e1317');
INSERT INTO "seals" VALUES('judgements','31','a8b5548dc94b69c5de17aaebcbdc96aa4f4ac6692eac2bdb75c6468d89060368');
INSERT INTO "seals" VALUES('judgements','32','950d09168d9992190608ee732484df978b2073e0cd34ee62e1b76aaff72157a9');
INSERT INTO "seals" VALUES('judgements','33','fd392119e883ece384615a9fb1498ae35c74e7a99b6bb7b3799b59e771cc4784');
INSERT INTO "seals" VALUES('photos','1','6c9b191f31f10de7b4d2f90ed84b7550a688872c0f283442feeb9f835f3ee60c');
INSERT INTO "seals" VALUES('photos','2','c87ec60e5cf38c4462d380b19b80395994eda58e7c3b184119f001c8cc841b98');
INSERT INTO "seals" VALUES('terms','1','6444d06ad1b3bfa307a79dbfe10f41195c087471a90d758aa28a89f94696d9ae');
INSERT INTO "seals" VALUES('visits','1','eb8c1ca2aee3a7c69af5c7d3dc63bd35cc418b63519422f76aaa4da33392f279');
INSERT INTO "seals" VALUES('visits','2','c5e726bd251a19f3f70c991850153bb0c023ced1d6515218c1d05de84044afbe');
INSERT INTO "seals" VALUES('wires','1','ef20487006607db3c2164dcc5bb8850c36b251d2c4a57b812ede8e5c01db130e');
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
INSERT INTO "terms" VALUES(1,'{"divot_leave":{"text":"Divot that may stay","value":0.05,"unit":"mm","side":"upper","source":"common practice, no source"},"flat_share":{"text":"Flat width as a share of the crown width before it wants recrowning","value":0.4,"unit":"1","side":"upper","source":"common practice, no source: a third to a half of the crown width"},"crown_height":{"text":"Crown height that must be left","value":0.7,"unit":"mm","side":"lower","source":"common practice, no source: 0.6 to 0.8 mm"},"level_step":{"text":"Step between a fret and its neighbours along a string","value":0.05,"unit":"mm","side":"upper","source":"common practice, no source: 0.03 to 0.05 mm"},"bevel_deviation":{"text":"Bevel angle away from the agreed one","value":2.5,"unit":"deg","side":"upper","source":"common practice, no source"},"clean_up_margin":{"text":"Taken off beyond the deepest divot so that the file has touched everywhere","value":0.02,"unit":"mm","side":"upper","source":"common practice, no source: one levelling takes 0.05 to 0.15 mm in all"},"after_divot":{"text":"After the work: divot left behind","value":0.03,"unit":"mm","side":"upper","source":"common practice, no source: less than may stay before the work, and what 0.02 mm of cleaning up ensures"},"after_flat_share":{"text":"After the work: flat width as a share of the crown width","value":0.25,"unit":"1","side":"upper","source":"common practice, no source: a crowned fret keeps a line along its top, a quarter of its width at most"},"after_height_loss":{"text":"After the work: crown height below what the estimate expected","value":0.1,"unit":"mm","side":"upper","source":"common practice, no source: one levelling takes 0.05 to 0.15 mm, so good work differs by as much"}}','{"currency":"USD","minor_digits":2,"source":"invented for the first start; no shop''s prices","rates":{"labour_per_hour":7500,"tax_percent":"0","deposit_percent":"30","valid_days":30},"hours":{"inspect":"0.25","spot_dress_per_fret":"0.3","spot_dress_setup":"0.5","recrown_polish":"1.75","level_crown_polish":"2.5","replace_per_fret":"0.4","refret_base":"3.0","setup_after":"1.0","nut_check":"0.5","nut_new":"1.5","board_dress":"1.0","seat_end":"0.25","ends_flush":"0.5"},"materials":{"wire_per_fret":150,"consumables":800,"nut_blank":900},"locale":""}',1,30.0,'','','2026-11-29 15:40:41.989868');
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
INSERT INTO "visits" VALUES(2,1,'after','2026-11-29');
CREATE TABLE wires (
	id INTEGER NOT NULL, 
	label VARCHAR NOT NULL, 
	material VARCHAR NOT NULL, 
	crown_width DOUBLE NOT NULL, 
	crown_height DOUBLE NOT NULL, 
	tang_width DOUBLE, 
	tang_depth DOUBLE, 
	price INTEGER NOT NULL, 
	removed DATETIME, currency VARCHAR DEFAULT '' NOT NULL, 
	CONSTRAINT pk_wires PRIMARY KEY (id)
);
INSERT INTO "wires" VALUES(1,'shop no. 3','nickel silver',2.6,1.3,0.52,1.6,220,NULL,'USD');
CREATE INDEX ix_jobs_updated ON jobs (updated);
CREATE INDEX ix_photos_sha256 ON photos (sha256);
CREATE INDEX ix_photos_visit_id ON photos (visit_id);
CREATE INDEX ix_hand_measures_photo_id ON hand_measures (photo_id);
CREATE INDEX ix_inspections_photo_id ON inspections (photo_id);
CREATE INDEX ix_judgements_inspection_id ON judgements (inspection_id);
CREATE TRIGGER estimates_frozen BEFORE UPDATE ON estimates WHEN OLD.status <> 'draft' AND (NEW.job_id IS NOT OLD.job_id OR NEW.revision IS NOT OLD.revision OR NEW.content IS NOT OLD.content OR NEW.content_hash IS NOT OLD.content_hash OR NEW.pdf IS NOT OLD.pdf OR NEW.created IS NOT OLD.created OR NEW.status = 'draft') BEGIN SELECT RAISE(ABORT, 'an issued estimate does not change'); END;
CREATE TRIGGER estimates_kept BEFORE DELETE ON estimates WHEN OLD.status <> 'draft' BEGIN SELECT RAISE(ABORT, 'an issued estimate is kept'); END;
CREATE INDEX ix_fret_heights_visit_id ON fret_heights (visit_id);
CREATE INDEX ix_answers_estimate_id ON answers (estimate_id);
CREATE TRIGGER answers_frozen BEFORE UPDATE ON answers WHEN NEW."estimate_id" IS NOT OLD."estimate_id" OR NEW."accepted" IS NOT OLD."accepted" OR NEW."by" IS NOT OLD."by" OR NEW."how" IS NOT OLD."how" OR NEW."on" IS NOT OLD."on" OR NEW."note" IS NOT OLD."note" OR NEW."pdf_sha256" IS NOT OLD."pdf_sha256" OR NEW."written" IS NOT OLD."written" OR OLD.taken_back IS NOT NULL BEGIN SELECT RAISE(ABORT, 'an answer is kept as it was given'); END;
CREATE TRIGGER answers_kept BEFORE DELETE ON answers BEGIN SELECT RAISE(ABORT, 'an answer is kept as it was given'); END;
CREATE INDEX ix_fret_work_visit_id ON fret_work (visit_id);
CREATE INDEX ix_print_bars_print_id ON print_bars (print_id);
COMMIT;
