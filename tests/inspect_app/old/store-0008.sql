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
INSERT INTO "alembic_version" VALUES('0008');
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
INSERT INTO "answers" VALUES(1,1,1,'A. Customer','signed','2026-11-29','','206baf64043322e89954d64839b559ef5359213023b2b5c4593695e63bd63a37','2026-11-29 11:11:18.030063',NULL);
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
INSERT INTO "estimates" VALUES(1,1,1,'accepted','{"job":"1","revision":1,"currency":"USD","minor_digits":2,"made_on":"2026-11-29","valid_until":"2026-12-29","option":"level, crown and polish","lines":[{"text":"Level, crown and polish all frets","quantity":"2.5","unit":"h","unit_price":7500,"taxable":true},{"text":"Set-up after the work","quantity":"1.0","unit":"h","unit_price":7500,"taxable":true},{"text":"Consumables","quantity":"1","unit":"lot","unit_price":800,"taxable":true}],"discount_percent":"0","tax_percent":"0","deposit_percent":"30","reason":"The deepest wear, 0.200 ± 0.010 mm, is on fret 2. Levelling all frets cleans it up and still leaves 0.80 ± 0.06 mm of crown on the lowest.","note":"","alternatives":[["leave",1875],["dress single frets",10500],["recrown and polish",13925],["replace the worst and level",30270],["full refret",53870]],"evidence":[],"forecast":[[1,0.88,0.036],[2,0.8796,0.0362],[3,0.8001,0.0308],[4,0.8798,0.0366],[5,0.8798,0.0362],[6,0.8798,0.0365]],"locale":"","replaced":[],"dressed":[1,2,3,4,5,6],"wire":"","why":""}','5148dee0c598aac903debe1825ee6e702a93aae0251a7f8201aa94da009f8175',X'255044462D312E372061732069742077617320697373756564','2026-11-29','2026-11-29 11:11:17.637377','2026-11-29 11:11:18.038536');
CREATE TABLE fret_heights (
	id INTEGER NOT NULL, 
	visit_id INTEGER NOT NULL, 
	fret INTEGER NOT NULL, 
	height DOUBLE, 
	written DATETIME NOT NULL, gauge_id INTEGER, 
	CONSTRAINT pk_fret_heights PRIMARY KEY (id), 
	CONSTRAINT fk_fret_heights_visit_id_visits FOREIGN KEY(visit_id) REFERENCES visits (id)
);
INSERT INTO "fret_heights" VALUES(1,1,3,1.02,'2026-11-29 11:11:16.992234',1);
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
INSERT INTO "fret_work" VALUES(1,2,'levelled','[]',0.1,NULL,NULL,'','2026-11-29 11:11:18.110128',NULL);
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
INSERT INTO "gauges" VALUES(1,'bench','calliper',0.01,0.012,NULL,'2026-11-29 11:11:16.888544',NULL);
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
INSERT INTO "hand_measures" VALUES(1,1,'distance','[[1.5,2.0],[3.0,4.0]]','{}','{"value":1.375,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false}','t','a chip','2026-11-29 11:11:18.087172',NULL);
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
INSERT INTO "inspections" VALUES(1,1,'{"view":"elevation","scale":{"kind":"auto","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0,"at_px":null},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":null,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]}','{"format":1,"view":"elevation","photo":{"name":"e1.jpg","sha256":"914ab142d2863191974bacb9ba74a2b8b0f6f3e8d2b01a2f551063216ba1ea48","width_px":160,"height_px":120},"version":"t","options":{},"frets":[{"number":1,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.15,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":2,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.2,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":3,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]},{"number":4,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.1,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":5,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]},{"number":6,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]}],"not_measured":[],"flags":[],"camera":{"focal_px":4000.0,"focal_source":"EXIF","k1":0.0,"distance_mm":220.0,"tilt_deg":5.0,"px_per_mm":20.0},"checks":{},"first_fret":1}','t',21,'2026-11-29 11:11:16.623424',NULL,NULL);
INSERT INTO "inspections" VALUES(2,2,'{"view":"elevation","scale":{"kind":"auto","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0,"at_px":null},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":null,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]}','{"format":1,"view":"elevation","photo":{"name":"e2.jpg","sha256":"81a2496ee07b06b4197ed7902859e81391b94e90e0a84541e023d3765ec094d9","width_px":160,"height_px":120},"version":"t","options":{},"frets":[{"number":1,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":2,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":3,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":4,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":5,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":6,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]}],"not_measured":[],"flags":[],"camera":{"focal_px":4000.0,"focal_source":"EXIF","k1":0.0,"distance_mm":220.0,"tilt_deg":5.0,"px_per_mm":20.0},"checks":{},"first_fret":1}','t',30,'2026-11-29 11:11:16.793837',NULL,NULL);
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
','A. Customer','','Board no. 6','',648.0,6,6,NULL,NULL,'Rosewood',NULL,NULL,0,0,'',NULL,1.1,'Buzzes',NULL,'2026-11-29 11:11:16.525233','2026-11-29 11:11:18.110217',0,0,0,NULL);
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
INSERT INTO "judgements" VALUES(1,1,'fret 1, bevel treble','accept','','2026-11-29 11:11:16.836156',NULL);
INSERT INTO "judgements" VALUES(2,1,'fret 1, divots 1, from treble end','accept','','2026-11-29 11:11:16.836413',NULL);
INSERT INTO "judgements" VALUES(3,1,'fret 1, divots 1, length','accept','','2026-11-29 11:11:16.836456',NULL);
INSERT INTO "judgements" VALUES(4,1,'fret 1, divots 1, depth','accept','','2026-11-29 11:11:16.836489',NULL);
INSERT INTO "judgements" VALUES(5,1,'fret 2, bevel treble','accept','','2026-11-29 11:11:16.836519',NULL);
INSERT INTO "judgements" VALUES(6,1,'fret 2, divots 1, from treble end','accept','','2026-11-29 11:11:16.836549',NULL);
INSERT INTO "judgements" VALUES(7,1,'fret 2, divots 1, length','accept','','2026-11-29 11:11:16.836578',NULL);
INSERT INTO "judgements" VALUES(8,1,'fret 2, divots 1, depth','accept','','2026-11-29 11:11:16.836605',NULL);
INSERT INTO "judgements" VALUES(9,1,'fret 3, bevel treble','accept','','2026-11-29 11:11:16.836631',NULL);
INSERT INTO "judgements" VALUES(10,1,'fret 4, bevel treble','accept','','2026-11-29 11:11:16.836656',NULL);
INSERT INTO "judgements" VALUES(11,1,'fret 4, divots 1, from treble end','accept','','2026-11-29 11:11:16.836679',NULL);
INSERT INTO "judgements" VALUES(12,1,'fret 4, divots 1, length','accept','','2026-11-29 11:11:16.836704',NULL);
INSERT INTO "judgements" VALUES(13,1,'fret 4, divots 1, depth','accept','','2026-11-29 11:11:16.836736',NULL);
INSERT INTO "judgements" VALUES(14,1,'fret 5, bevel treble','accept','','2026-11-29 11:11:16.836761',NULL);
INSERT INTO "judgements" VALUES(15,1,'fret 6, bevel treble','accept','','2026-11-29 11:11:16.836785',NULL);
INSERT INTO "judgements" VALUES(16,2,'fret 1, bevel treble','accept','','2026-11-29 11:11:16.837434',NULL);
INSERT INTO "judgements" VALUES(17,2,'fret 1, divots 1, from treble end','accept','','2026-11-29 11:11:16.837481',NULL);
INSERT INTO "judgements" VALUES(18,2,'fret 1, divots 1, length','accept','','2026-11-29 11:11:16.837590',NULL);
INSERT INTO "judgements" VALUES(19,2,'fret 2, bevel treble','accept','','2026-11-29 11:11:16.837620',NULL);
INSERT INTO "judgements" VALUES(20,2,'fret 2, divots 1, from treble end','accept','','2026-11-29 11:11:16.837646',NULL);
INSERT INTO "judgements" VALUES(21,2,'fret 2, divots 1, length','accept','','2026-11-29 11:11:16.837669',NULL);
INSERT INTO "judgements" VALUES(22,2,'fret 3, bevel treble','accept','','2026-11-29 11:11:16.837692',NULL);
INSERT INTO "judgements" VALUES(23,2,'fret 3, divots 1, from treble end','accept','','2026-11-29 11:11:16.837717',NULL);
INSERT INTO "judgements" VALUES(24,2,'fret 3, divots 1, length','accept','','2026-11-29 11:11:16.837744',NULL);
INSERT INTO "judgements" VALUES(25,2,'fret 4, bevel treble','accept','','2026-11-29 11:11:16.837772',NULL);
INSERT INTO "judgements" VALUES(26,2,'fret 4, divots 1, from treble end','accept','','2026-11-29 11:11:16.837798',NULL);
INSERT INTO "judgements" VALUES(27,2,'fret 4, divots 1, length','accept','','2026-11-29 11:11:16.837822',NULL);
INSERT INTO "judgements" VALUES(28,2,'fret 5, bevel treble','accept','','2026-11-29 11:11:16.837847',NULL);
INSERT INTO "judgements" VALUES(29,2,'fret 5, divots 1, from treble end','accept','','2026-11-29 11:11:16.837873',NULL);
INSERT INTO "judgements" VALUES(30,2,'fret 5, divots 1, length','accept','','2026-11-29 11:11:16.837896',NULL);
INSERT INTO "judgements" VALUES(31,2,'fret 6, bevel treble','accept','','2026-11-29 11:11:16.837918',NULL);
INSERT INTO "judgements" VALUES(32,2,'fret 6, divots 1, from treble end','accept','','2026-11-29 11:11:16.837940',NULL);
INSERT INTO "judgements" VALUES(33,2,'fret 6, divots 1, length','accept','','2026-11-29 11:11:16.837963',NULL);
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
INSERT INTO "photos" VALUES(1,1,1,'914ab142d2863191974bacb9ba74a2b8b0f6f3e8d2b01a2f551063216ba1ea48','.jpg',12362,160,120,'e1.jpg','elevation','','','2026-11-29 11:11:16.582734',NULL);
INSERT INTO "photos" VALUES(2,1,2,'81a2496ee07b06b4197ed7902859e81391b94e90e0a84541e023d3765ec094d9','.jpg',12396,160,120,'e2.jpg','elevation','','','2026-11-29 11:11:16.750952',NULL);
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
INSERT INTO "seals" VALUES('sqlite_master','table estimates','584ed923e323e2452b95980df399cbcf4262dd7f61fb2f64d927ad5e2a28112b');
INSERT INTO "seals" VALUES('sqlite_master','table fret_heights','f9a728ba630f5945ac2a24c2682cb59477bc3791184569a7115dc6be3ccf8007');
INSERT INTO "seals" VALUES('sqlite_master','table fret_work','f426e4d53b89c92f7b9e6352ceb5d4d1a742adf1041d455c1acff934e6759a50');
INSERT INTO "seals" VALUES('sqlite_master','table gauges','565dce49629ea1946639d7fa8419338727c73d837652989a7729af82c4f4cce4');
INSERT INTO "seals" VALUES('sqlite_master','table hand_measures','6c62e3ce72b2e1ab6b82a8b0808e531337bd2e9a3ee731867ffe87af6b41d4c5');
INSERT INTO "seals" VALUES('sqlite_master','table inspections','fcbb96ba911882bc870e403fcaf2fda660d0be0f4d83c0092fa1a3b779c8b439');
INSERT INTO "seals" VALUES('sqlite_master','table jobs','d3d523a70b4e98e506b24a152641f156c187244da3414f2ea8ddae19e9c12df3');
INSERT INTO "seals" VALUES('sqlite_master','table judgements','4085440b78c5759b0bb9d7035929f8cc927a1367fd1cafeb209e6de9cd3965d0');
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
INSERT INTO "seals" VALUES('answers','1','3f27463143408e1455f5501cb9484a3a473c8e7b7ec19cd8ea3828cff35273e7');
INSERT INTO "seals" VALUES('estimates','1','a644248937d58f4fcf3160212c90dc31cf70231d91b12c3831a07f519853f557');
INSERT INTO "seals" VALUES('fret_heights','1','a11bca9b84badb0034a18277dbca6bedc62013615ccbef0eba71382f075b0ab2');
INSERT INTO "seals" VALUES('fret_work','1','c43aad82bc144878b56e8d8001c34d5134f596218176b3e68ca8cd304510a68f');
INSERT INTO "seals" VALUES('gauges','1','2a63fbc780adc2db4de0bce5c45901e278bd445a998c65c3ea419c9bde10fd84');
INSERT INTO "seals" VALUES('hand_measures','1','765b1ee7498c1d69bc5d3275e10c0a37be85f3880b05b517fee9e6bd92e1428e');
INSERT INTO "seals" VALUES('inspections','1','aba2032649ec22c17cd12f8662671fa4ca892c786da125b76b1f9fda43d53280');
INSERT INTO "seals" VALUES('inspections','2','4d13e67aaf610d18ad50c9cb2a29bf0e3fbc061ca796896ca5a428763965e769');
INSERT INTO "seals" VALUES('jobs','1','feac36317ad7f6c46887ef43bb870f516280096cf09316f8e3fcc9599b921c72');
INSERT INTO "seals" VALUES('judgements','1','58aa0816ce328fdfc2b304e8b864b05c66657550375178b3cfbcd0b4054ffef3');
INSERT INTO "seals" VALUES('judgements','2','338ec0d62c54c94ee0acee4d28d8b1ef4f69c84237c3a9f79eb7dc65347b7936');
INSERT INTO "seals" VALUES('judgements','3','a797b993e923812a08c5d33be03f16ef127a9de1fa4773810469e4d52570503e');
INSERT INTO "seals" VALUES('judgements','4','7bcce8af4eb1392ddf7a0d2fe566b70e9f538071cd64d4ad7e1c00456a7e524c');
INSERT INTO "seals" VALUES('judgements','5','1bf488e9921537c82a9fc4b51508e5c7f0156aaa2cf2d411125800b8595d9214');
INSERT INTO "seals" VALUES('judgements','6','1cdd4b063b103fe62ddf19bb1ae5820ce38d9232ad4a539ece54a3e0d76fa46c');
INSERT INTO "seals" VALUES('judgements','7','836c3614f61f3653b508781b13f0eaa389c6ba36f7690a87cbbc7c8b43f7f7a4');
INSERT INTO "seals" VALUES('judgements','8','42a7d8cd9f86cb11a9509dead6627ed73919da8d1d65ca3f24bcca95ed5b3648');
INSERT INTO "seals" VALUES('judgements','9','9be186d3b0aa2bf31300f92d3a4aeb01b14f060e603d0df439de987887734bac');
INSERT INTO "seals" VALUES('judgements','10','06cc8ed3a985fa8569cc7b4d006c9e218295ef387cec804b6596ff6206c1335d');
INSERT INTO "seals" VALUES('judgements','11','c5a56d8bc5144b8631e07663d8d3ac755f957e67b847ef23073c58a2dbb6a66d');
INSERT INTO "seals" VALUES('judgements','12','1b28db8105c30914198093d16e3e1c548a44209d1fb08ad471b7afb026c2b6ac');
INSERT INTO "seals" VALUES('judgements','13','8f24e845fdd3e7ba404cfde0081834dbaafe5d320ea79d3bac02f7b090f70375');
INSERT INTO "seals" VALUES('judgements','14','7748204377980d87d1d2fc45c88b13145d999a4199dbb856f3537fb09500f403');
INSERT INTO "seals" VALUES('judgements','15','cffc2d995371fb3eab036fbe18f6fffb0044385c5627d5f60fb0b5df59ca9ab0');
INSERT INTO "seals" VALUES('judgements','16','b435bf249e9ca577e4f454a4b254759419568f1c548f370ab89d335f5c917b5f');
INSERT INTO "seals" VALUES('judgements','17','f4f26a403ef6e976a7f5a4e208059f1b5dd4508415993be95134709dcceff716');
INSERT INTO "seals" VALUES('judgements','18','a49db3153e7a16fba9c15816209e3cdafb15d3ae5533f739e3d5a0693d345e84');
INSERT INTO "seals" VALUES('judgements','19','2c022de8fa7912f5d4078fc59c3b394bf409dbb27c34cc09ccfbc4fef01c3fd9');
INSERT INTO "seals" VALUES('judgements','20','0ba40a5fb249c8fea087b8a3bbc92e703be154f2f40fcc4d5999243962589b6d');
INSERT INTO "seals" VALUES('judgements','21','5ca5eb961c5451042602b77cccf1fb245c34a2ad042ed37f14628a7b2ad4b713');
INSERT INTO "seals" VALUES('judgements','22','405573acbd0ce7a3e092c20845bf6ea71e7dd1e02cd122bd9b8b2fee041c4044');
INSERT INTO "seals" VALUES('judgements','23','cf4bb936ffaba285a2385bfb2612ac578a627c4b4de56d88974efd59c63da630');
INSERT INTO "seals" VALUES('judgements','24','47f0920335b650fc4bad84d66f4a2a33a817fcd2ffe20c0a8d0a745df3191146');
INSERT INTO "seals" VALUES('judgements','25','3901d80da697e9acaf303148601868450cd6b03642ca3c96595d373c15093fd9');
INSERT INTO "seals" VALUES('judgements','26','12fe583c70df0d89609d6cac40d0150211de6f148da821e919e06235dd630578');
INSERT INTO "seals" VALUES('judgements','27','41022fe59442a101ac3c1400827594f1e0856ca2e8a1951325ff070ded967522');
INSERT INTO "seals" VALUES('judgements','28','8c240ade404db7ea2ab73b4c1d6102364d29a4bb1cac4a7d523ad736e377f79a');
INSERT INTO "seals" VALUES('judgements','29','0af417b4cfb8ee6da1313409b427c462e53bdd1153f168395f4fde6429f45aec');
INSERT INTO "seals" VALUES('judgements','30','9018b3a70143e048fa9f3232bfa81420450d92e26400a8e6b67782ec0d5ecc09');
INSERT INTO "seals" VALUES('judgements','31','7bfd76ca9bd3465d589b0477a8641e45ba7d42a305c99231417c621083db66ba');
INSERT INTO "seals" VALUES('judgements','32','eddf1deb534e4b813ea3d64a6d5136a083c52c432e23cbb6c64d7bd19a518998');
INSERT INTO "seals" VALUES('judgements','33','c4088ab208df1b9f0aeb629d00e3df8eceeace96ddc4dbbd5e6966e93dd01614');
INSERT INTO "seals" VALUES('photos','1','1401bae8dea5b32b74b5b6b40ce55ab224210e1d8abaa6a1096a3d56b713ec81');
INSERT INTO "seals" VALUES('photos','2','27428de5c65f1e3c4d4d88173fc4f4834b45682f21f668489f941ec43854db60');
INSERT INTO "seals" VALUES('terms','1','81db7887c247a327e3b2fe551e30d85be753d6d082e3f1c77625e9b7ed5bfb64');
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
INSERT INTO "terms" VALUES(1,'{"divot_leave":{"text":"Divot that may stay","value":0.05,"unit":"mm","side":"upper","source":"common practice, no source"},"flat_share":{"text":"Flat width as a share of the crown width before it wants recrowning","value":0.4,"unit":"1","side":"upper","source":"common practice, no source: a third to a half of the crown width"},"crown_height":{"text":"Crown height that must be left","value":0.7,"unit":"mm","side":"lower","source":"common practice, no source: 0.6 to 0.8 mm"},"level_step":{"text":"Step between a fret and its neighbours along a string","value":0.05,"unit":"mm","side":"upper","source":"common practice, no source: 0.03 to 0.05 mm"},"bevel_deviation":{"text":"Bevel angle away from the agreed one","value":2.5,"unit":"deg","side":"upper","source":"common practice, no source"},"clean_up_margin":{"text":"Taken off beyond the deepest divot so that the file has touched everywhere","value":0.02,"unit":"mm","side":"upper","source":"common practice, no source: one levelling takes 0.05 to 0.15 mm in all"},"after_divot":{"text":"After the work: divot left behind","value":0.03,"unit":"mm","side":"upper","source":"common practice, no source: less than may stay before the work, and what 0.02 mm of cleaning up ensures"},"after_flat_share":{"text":"After the work: flat width as a share of the crown width","value":0.25,"unit":"1","side":"upper","source":"common practice, no source: a crowned fret keeps a line along its top, a quarter of its width at most"},"after_height_loss":{"text":"After the work: crown height below what the estimate expected","value":0.1,"unit":"mm","side":"upper","source":"common practice, no source: one levelling takes 0.05 to 0.15 mm, so good work differs by as much"}}','{"currency":"USD","minor_digits":2,"source":"invented for the first start; no shop''s prices","rates":{"labour_per_hour":7500,"tax_percent":"0","deposit_percent":"30","valid_days":30},"hours":{"inspect":"0.25","spot_dress_per_fret":"0.3","spot_dress_setup":"0.5","recrown_polish":"1.75","level_crown_polish":"2.5","replace_per_fret":"0.4","refret_base":"3.0","setup_after":"1.0","nut_check":"0.5"},"materials":{"wire_per_fret":150,"consumables":800},"locale":""}',1,30.0,'','','2026-11-29 11:11:17.082072');
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
