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
INSERT INTO "alembic_version" VALUES('0007');
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
INSERT INTO "answers" VALUES(1,1,1,'A. Customer','signed','2026-11-29','','206baf64043322e89954d64839b559ef5359213023b2b5c4593695e63bd63a37','2026-11-29 11:11:08.249556',NULL);
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
INSERT INTO "estimates" VALUES(1,1,1,'accepted','{"job":"1","revision":1,"currency":"USD","minor_digits":2,"made_on":"2026-11-29","valid_until":"2026-12-29","option":"level, crown and polish","lines":[{"text":"Level, crown and polish all frets","quantity":"2.5","unit":"h","unit_price":7500,"taxable":true},{"text":"Set-up after the work","quantity":"1.0","unit":"h","unit_price":7500,"taxable":true},{"text":"Consumables","quantity":"1","unit":"lot","unit_price":800,"taxable":true}],"discount_percent":"0","tax_percent":"0","deposit_percent":"30","reason":"The deepest wear, 0.200 ± 0.010 mm, is on fret 2. Levelling all frets cleans it up and still leaves 0.80 ± 0.06 mm of crown on the lowest.","note":"","alternatives":[["leave",1875],["dress single frets",10500],["recrown and polish",13925],["replace the worst and level",30270],["full refret",53870]],"evidence":[],"forecast":[[1,0.88,0.036],[2,0.8796,0.0362],[3,0.8001,0.0308],[4,0.8798,0.0366],[5,0.8798,0.0362],[6,0.8798,0.0365]],"locale":"","replaced":[],"dressed":[1,2,3,4,5,6],"wire":"","why":""}','5148dee0c598aac903debe1825ee6e702a93aae0251a7f8201aa94da009f8175',X'255044462D312E372061732069742077617320697373756564','2026-11-29','2026-11-29 11:11:07.975158','2026-11-29 11:11:08.256754');
CREATE TABLE fret_heights (
	id INTEGER NOT NULL, 
	visit_id INTEGER NOT NULL, 
	fret INTEGER NOT NULL, 
	height DOUBLE, 
	written DATETIME NOT NULL, 
	CONSTRAINT pk_fret_heights PRIMARY KEY (id), 
	CONSTRAINT fk_fret_heights_visit_id_visits FOREIGN KEY(visit_id) REFERENCES visits (id)
);
INSERT INTO "fret_heights" VALUES(1,1,3,1.02,'2026-11-29 11:11:07.820762');
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
INSERT INTO "fret_work" VALUES(1,2,'levelled','[]',0.1,NULL,NULL,'','2026-11-29 11:11:08.306033',NULL);
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
INSERT INTO "hand_measures" VALUES(1,1,'distance','[[1.5,2.0],[3.0,4.0]]','{}','{"value":1.375,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false}','t','a chip','2026-11-29 11:11:08.288364',NULL);
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
INSERT INTO "inspections" VALUES(1,1,'{"view":"elevation","scale":{"kind":"auto","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0,"at_px":null},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":null,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]}','{"format":1,"view":"elevation","photo":{"name":"e1.jpg","sha256":"914ab142d2863191974bacb9ba74a2b8b0f6f3e8d2b01a2f551063216ba1ea48","width_px":160,"height_px":120},"version":"t","options":{},"frets":[{"number":1,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.15,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":2,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.2,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":3,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]},{"number":4,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.1,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":5,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]},{"number":6,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]}],"not_measured":[],"flags":[],"camera":{"focal_px":4000.0,"focal_source":"EXIF","k1":0.0,"distance_mm":220.0,"tilt_deg":5.0,"px_per_mm":20.0},"checks":{},"first_fret":1}','t',21,'2026-11-29 11:11:07.578614',NULL,NULL);
INSERT INTO "inspections" VALUES(2,2,'{"view":"elevation","scale":{"kind":"auto","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0,"at_px":null},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":null,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]}','{"format":1,"view":"elevation","photo":{"name":"e2.jpg","sha256":"81a2496ee07b06b4197ed7902859e81391b94e90e0a84541e023d3765ec094d9","width_px":160,"height_px":120},"version":"t","options":{},"frets":[{"number":1,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":2,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":3,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":4,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":5,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":6,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]}],"not_measured":[],"flags":[],"camera":{"focal_px":4000.0,"focal_source":"EXIF","k1":0.0,"distance_mm":220.0,"tilt_deg":5.0,"px_per_mm":20.0},"checks":{},"first_fret":1}','t',30,'2026-11-29 11:11:07.654460',NULL,NULL);
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
','A. Customer','','Board no. 6','',648.0,6,6,NULL,NULL,'Rosewood',NULL,NULL,0,0,'',NULL,1.1,'Buzzes',NULL,'2026-11-29 11:11:07.477257','2026-11-29 11:11:08.306115',0,0,0,NULL);
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
INSERT INTO "judgements" VALUES(1,1,'fret 1, bevel treble','accept','','2026-11-29 11:11:07.700597',NULL);
INSERT INTO "judgements" VALUES(2,1,'fret 1, divots 1, from treble end','accept','','2026-11-29 11:11:07.700761',NULL);
INSERT INTO "judgements" VALUES(3,1,'fret 1, divots 1, length','accept','','2026-11-29 11:11:07.700804',NULL);
INSERT INTO "judgements" VALUES(4,1,'fret 1, divots 1, depth','accept','','2026-11-29 11:11:07.700834',NULL);
INSERT INTO "judgements" VALUES(5,1,'fret 2, bevel treble','accept','','2026-11-29 11:11:07.700863',NULL);
INSERT INTO "judgements" VALUES(6,1,'fret 2, divots 1, from treble end','accept','','2026-11-29 11:11:07.700892',NULL);
INSERT INTO "judgements" VALUES(7,1,'fret 2, divots 1, length','accept','','2026-11-29 11:11:07.700922',NULL);
INSERT INTO "judgements" VALUES(8,1,'fret 2, divots 1, depth','accept','','2026-11-29 11:11:07.700948',NULL);
INSERT INTO "judgements" VALUES(9,1,'fret 3, bevel treble','accept','','2026-11-29 11:11:07.700975',NULL);
INSERT INTO "judgements" VALUES(10,1,'fret 4, bevel treble','accept','','2026-11-29 11:11:07.700999',NULL);
INSERT INTO "judgements" VALUES(11,1,'fret 4, divots 1, from treble end','accept','','2026-11-29 11:11:07.701023',NULL);
INSERT INTO "judgements" VALUES(12,1,'fret 4, divots 1, length','accept','','2026-11-29 11:11:07.701046',NULL);
INSERT INTO "judgements" VALUES(13,1,'fret 4, divots 1, depth','accept','','2026-11-29 11:11:07.701071',NULL);
INSERT INTO "judgements" VALUES(14,1,'fret 5, bevel treble','accept','','2026-11-29 11:11:07.701095',NULL);
INSERT INTO "judgements" VALUES(15,1,'fret 6, bevel treble','accept','','2026-11-29 11:11:07.701129',NULL);
INSERT INTO "judgements" VALUES(16,2,'fret 1, bevel treble','accept','','2026-11-29 11:11:07.701685',NULL);
INSERT INTO "judgements" VALUES(17,2,'fret 1, divots 1, from treble end','accept','','2026-11-29 11:11:07.701740',NULL);
INSERT INTO "judgements" VALUES(18,2,'fret 1, divots 1, length','accept','','2026-11-29 11:11:07.701768',NULL);
INSERT INTO "judgements" VALUES(19,2,'fret 2, bevel treble','accept','','2026-11-29 11:11:07.701793',NULL);
INSERT INTO "judgements" VALUES(20,2,'fret 2, divots 1, from treble end','accept','','2026-11-29 11:11:07.701817',NULL);
INSERT INTO "judgements" VALUES(21,2,'fret 2, divots 1, length','accept','','2026-11-29 11:11:07.701839',NULL);
INSERT INTO "judgements" VALUES(22,2,'fret 3, bevel treble','accept','','2026-11-29 11:11:07.701862',NULL);
INSERT INTO "judgements" VALUES(23,2,'fret 3, divots 1, from treble end','accept','','2026-11-29 11:11:07.701886',NULL);
INSERT INTO "judgements" VALUES(24,2,'fret 3, divots 1, length','accept','','2026-11-29 11:11:07.701909',NULL);
INSERT INTO "judgements" VALUES(25,2,'fret 4, bevel treble','accept','','2026-11-29 11:11:07.701932',NULL);
INSERT INTO "judgements" VALUES(26,2,'fret 4, divots 1, from treble end','accept','','2026-11-29 11:11:07.701954',NULL);
INSERT INTO "judgements" VALUES(27,2,'fret 4, divots 1, length','accept','','2026-11-29 11:11:07.701981',NULL);
INSERT INTO "judgements" VALUES(28,2,'fret 5, bevel treble','accept','','2026-11-29 11:11:07.702005',NULL);
INSERT INTO "judgements" VALUES(29,2,'fret 5, divots 1, from treble end','accept','','2026-11-29 11:11:07.702028',NULL);
INSERT INTO "judgements" VALUES(30,2,'fret 5, divots 1, length','accept','','2026-11-29 11:11:07.702050',NULL);
INSERT INTO "judgements" VALUES(31,2,'fret 6, bevel treble','accept','','2026-11-29 11:11:07.702077',NULL);
INSERT INTO "judgements" VALUES(32,2,'fret 6, divots 1, from treble end','accept','','2026-11-29 11:11:07.702100',NULL);
INSERT INTO "judgements" VALUES(33,2,'fret 6, divots 1, length','accept','','2026-11-29 11:11:07.702122',NULL);
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
INSERT INTO "photos" VALUES(1,1,1,'914ab142d2863191974bacb9ba74a2b8b0f6f3e8d2b01a2f551063216ba1ea48','.jpg',12362,160,120,'e1.jpg','elevation','','','2026-11-29 11:11:07.527345',NULL);
INSERT INTO "photos" VALUES(2,1,2,'81a2496ee07b06b4197ed7902859e81391b94e90e0a84541e023d3765ec094d9','.jpg',12396,160,120,'e2.jpg','elevation','','','2026-11-29 11:11:07.619345',NULL);
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
INSERT INTO "seals" VALUES('sqlite_master','table fret_heights','d310bf8da60b42140463a3f8d88e974dbd111aca5a317daae1261e1d39e55c1d');
INSERT INTO "seals" VALUES('sqlite_master','table fret_work','f426e4d53b89c92f7b9e6352ceb5d4d1a742adf1041d455c1acff934e6759a50');
INSERT INTO "seals" VALUES('sqlite_master','table hand_measures','6c62e3ce72b2e1ab6b82a8b0808e531337bd2e9a3ee731867ffe87af6b41d4c5');
INSERT INTO "seals" VALUES('sqlite_master','table inspections','fcbb96ba911882bc870e403fcaf2fda660d0be0f4d83c0092fa1a3b779c8b439');
INSERT INTO "seals" VALUES('sqlite_master','table jobs','d3d523a70b4e98e506b24a152641f156c187244da3414f2ea8ddae19e9c12df3');
INSERT INTO "seals" VALUES('sqlite_master','table judgements','4085440b78c5759b0bb9d7035929f8cc927a1367fd1cafeb209e6de9cd3965d0');
INSERT INTO "seals" VALUES('sqlite_master','table photos','74294bf49d642b039e751f91e53b52f39b401356cbd1352a562d0f3ea1d7595d');
INSERT INTO "seals" VALUES('sqlite_master','table prints','ea2340267a2fe8b626918384ea1a28051811cf59038034aea8b42750eb0b9a08');
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
INSERT INTO "seals" VALUES('answers','1','c66a6e08e955b32c01057675689771f8fd5fde697053a974b88e002ae593acee');
INSERT INTO "seals" VALUES('estimates','1','5f69a6249d5f6d302cb86aa84b8b386806b2aaa27096ce935d76871d476c97bd');
INSERT INTO "seals" VALUES('fret_heights','1','e1cf1d56936ef0494c6f06dcd72138834499fa4af5a4807b1d6d07fb25efbf0f');
INSERT INTO "seals" VALUES('fret_work','1','5b486359522c164bd8268875c175f55431a56ba26b740b2df97ea926cd1279ff');
INSERT INTO "seals" VALUES('hand_measures','1','d13a77fdbe493589107c61158b8b1ae1e3be0e1de27b7a7522797900f5249986');
INSERT INTO "seals" VALUES('inspections','1','93ca78db3ff45d5b33a19cc4271ada9cdf795d33fd8f2422d09964cebaf9174b');
INSERT INTO "seals" VALUES('inspections','2','6e51f40244bfb21aa6f882a4975f4c50ada5ff92468631d80d3ee5dc8336a5b0');
INSERT INTO "seals" VALUES('jobs','1','d5894f51759bc9588074a88b9a1892d6de25887527a7b5415eca64d72de3802b');
INSERT INTO "seals" VALUES('judgements','1','8ba4fcc3b94ec6de4810dccc0d2f7eaad38b8beaac9b737176f66ef4cec065d9');
INSERT INTO "seals" VALUES('judgements','2','1fcd4af063b180fdfd87f4bf11784eff1e24fe07a9729c056c8b6a94e23c7de6');
INSERT INTO "seals" VALUES('judgements','3','47c9ea5a50ef723e85a8056779afcb69af78dd8f607f0670ebcbe160a8e26a5c');
INSERT INTO "seals" VALUES('judgements','4','3416d063e26c0d2cf5626fd368932c4cdd83fd4ee3f10f54660d0e65d1ff5adc');
INSERT INTO "seals" VALUES('judgements','5','dd4e50d44f4fec1097da05f8de33ce40099d4877a244931fdfa1e84a82a70b7c');
INSERT INTO "seals" VALUES('judgements','6','bfdca6fff0fd38fcb24244104683cd73568c5e8d86b93dc80cee51791c70d843');
INSERT INTO "seals" VALUES('judgements','7','e4219d8f337a1a21d149f4ede04831e0daad1fc0ab7884733f5a7eba90c6865d');
INSERT INTO "seals" VALUES('judgements','8','1a9d365eae89516ef42955a34cae30966a0c1817f0fb8bfcc3ad867f5d004f6c');
INSERT INTO "seals" VALUES('judgements','9','eecec989f419261cad37ba821353ec369e57df88564110c4a19827cda35eff90');
INSERT INTO "seals" VALUES('judgements','10','6fb4b7d6ec186c48663c4de40f1a4a324e611866f7a816a07773e3f1ad9fe1e8');
INSERT INTO "seals" VALUES('judgements','11','3665e7abd42440dba63f254578030b268d263fcb8f6c38a73c12a2b60663c307');
INSERT INTO "seals" VALUES('judgements','12','f94d052640549cce3ba3679af28e8e7822d459f608d5cb8d1902bc0176cc7dc7');
INSERT INTO "seals" VALUES('judgements','13','6d2a91958234c3260c78e9eefd2f02727f1586781ebf93d3f3445352391f260e');
INSERT INTO "seals" VALUES('judgements','14','66107f21a45cd4264cf3fc22d85152b435ffb6a0d53050d3001953a0e4212823');
INSERT INTO "seals" VALUES('judgements','15','d5af7faed25fd99ef3ef486ffeb27a80a92e5f9086de5d2a11630c7a3e5ed82c');
INSERT INTO "seals" VALUES('judgements','16','4b7871b4e019ab9436b2a3faef74e169289a101a2a06abbccff9f115c2918a81');
INSERT INTO "seals" VALUES('judgements','17','35438dec5ea16fff57f35d8d2fc7d5741e1408e8babe281cfc82e9791d420c21');
INSERT INTO "seals" VALUES('judgements','18','8859d4065f8d2bf50a37a4f7dfa6db2f431394082c742a4881d70204eb52f509');
INSERT INTO "seals" VALUES('judgements','19','81cbd9406d2aeebc51a9d16be02dde298b5ff862d5cc205780f81ad935f1401f');
INSERT INTO "seals" VALUES('judgements','20','fbdb71b25a781b9d97fe1c6e684eb124bc56dc93febc11a1c2b376534b625ac1');
INSERT INTO "seals" VALUES('judgements','21','f0561e490a615939ec7f856b246e9a202a0a1086c44b54d3543d411933d87b6e');
INSERT INTO "seals" VALUES('judgements','22','a7568ac2678b857fc67bdba4fff3056d8fc4de81fc4905efb27640766341ae60');
INSERT INTO "seals" VALUES('judgements','23','ba6fd8252fd74b9a61f28d94d8debe71cede07c09e5de1e9f8e1d7a591ba985e');
INSERT INTO "seals" VALUES('judgements','24','2e0322afc935ac63923c76446649612cc367185f62f7a1f36772a198193054ba');
INSERT INTO "seals" VALUES('judgements','25','0c19ffba14cb8c7b0364c28068eb2ff424d3400bedca0d7aed5fb789e6113d5a');
INSERT INTO "seals" VALUES('judgements','26','51e65aad1eb4e02ec73749088bd24c94894d02ce2495aed76e3656cf4432c194');
INSERT INTO "seals" VALUES('judgements','27','8f7df4cdd35c13cf1111c25a51a30df9b6a9897075b202282b15702448afe12c');
INSERT INTO "seals" VALUES('judgements','28','8df2808c9be8c475f313b20dfbf1202830b3863ed0dbce8e2f3a7288aa5e8377');
INSERT INTO "seals" VALUES('judgements','29','5a9e534f6ac684882f16429ba79f9728895f32caa868e99b1491e6c08f900dac');
INSERT INTO "seals" VALUES('judgements','30','e452041ca2f2294f2310b44a25481e5be4b463d90d955976f4c76fd06c5f84b5');
INSERT INTO "seals" VALUES('judgements','31','c9083607967f32abdcf56f7d6d9a209efd72b04b3e4369a2772b270daef2409f');
INSERT INTO "seals" VALUES('judgements','32','6f8102b757e78402ac06af2af978a1b236ae0cf67fcb727238998f4280f3262a');
INSERT INTO "seals" VALUES('judgements','33','be6348c6a25b074889d0294d7dbfc2ab3277ad337300e20186eb9e58b37a53bd');
INSERT INTO "seals" VALUES('photos','1','9171148129a929dfabe1c9a10ea0c9019aec375981a25200dd78340c61dbc1e9');
INSERT INTO "seals" VALUES('photos','2','8e9f05d5bfff1b39e99769e363e0fd1913927ac1f98456fb2bb1925d473b0c09');
INSERT INTO "seals" VALUES('terms','1','a270e404017f6e666ee7fbd4b7d77c86a858cb8ffec0162e22a09b5c3f32008a');
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
INSERT INTO "terms" VALUES(1,'{"divot_leave":{"text":"Divot that may stay","value":0.05,"unit":"mm","side":"upper","source":"common practice, no source"},"flat_share":{"text":"Flat width as a share of the crown width before it wants recrowning","value":0.4,"unit":"1","side":"upper","source":"common practice, no source: a third to a half of the crown width"},"crown_height":{"text":"Crown height that must be left","value":0.7,"unit":"mm","side":"lower","source":"common practice, no source: 0.6 to 0.8 mm"},"level_step":{"text":"Step between a fret and its neighbours along a string","value":0.05,"unit":"mm","side":"upper","source":"common practice, no source: 0.03 to 0.05 mm"},"bevel_deviation":{"text":"Bevel angle away from the agreed one","value":2.5,"unit":"deg","side":"upper","source":"common practice, no source"},"clean_up_margin":{"text":"Taken off beyond the deepest divot so that the file has touched everywhere","value":0.02,"unit":"mm","side":"upper","source":"common practice, no source: one levelling takes 0.05 to 0.15 mm in all"},"after_divot":{"text":"After the work: divot left behind","value":0.03,"unit":"mm","side":"upper","source":"common practice, no source: less than may stay before the work, and what 0.02 mm of cleaning up ensures"},"after_flat_share":{"text":"After the work: flat width as a share of the crown width","value":0.25,"unit":"1","side":"upper","source":"common practice, no source: a crowned fret keeps a line along its top, a quarter of its width at most"},"after_height_loss":{"text":"After the work: crown height below what the estimate expected","value":0.1,"unit":"mm","side":"upper","source":"common practice, no source: one levelling takes 0.05 to 0.15 mm, so good work differs by as much"}}','{"currency":"USD","minor_digits":2,"source":"invented for the first start; no shop''s prices","rates":{"labour_per_hour":7500,"tax_percent":"0","deposit_percent":"30","valid_days":30},"hours":{"inspect":"0.25","spot_dress_per_fret":"0.3","spot_dress_setup":"0.5","recrown_polish":"1.75","level_crown_polish":"2.5","replace_per_fret":"0.4","refret_base":"3.0","setup_after":"1.0","nut_check":"0.5"},"materials":{"wire_per_fret":150,"consumables":800},"locale":""}',1,30.0,'','','2026-11-29 11:11:07.879082');
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
COMMIT;
