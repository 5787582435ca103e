BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0006');
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
INSERT INTO "answers" VALUES(1,1,1,'A. Customer','signed','2026-11-29','','206baf64043322e89954d64839b559ef5359213023b2b5c4593695e63bd63a37','2026-11-29 11:11:01.737950',NULL);
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
INSERT INTO "estimates" VALUES(1,1,1,'accepted','{"job":"1","revision":1,"currency":"USD","minor_digits":2,"made_on":"2026-11-29","valid_until":"2026-12-29","option":"level, crown and polish","lines":[{"text":"Level, crown and polish all frets","quantity":"2.5","unit":"h","unit_price":7500,"taxable":true},{"text":"Set-up after the work","quantity":"1.0","unit":"h","unit_price":7500,"taxable":true},{"text":"Consumables","quantity":"1","unit":"lot","unit_price":800,"taxable":true}],"discount_percent":"0","tax_percent":"0","deposit_percent":"30","reason":"The deepest wear, 0.200 ± 0.010 mm, is on fret 2. Levelling all frets cleans it up and still leaves 0.80 ± 0.06 mm of crown on the lowest.","note":"","alternatives":[["leave",1875],["dress single frets",10500],["recrown and polish",13925],["replace the worst and level",30270],["full refret",53870]],"evidence":[],"forecast":[[1,0.88,0.036],[2,0.8796,0.0362],[3,0.8001,0.0308],[4,0.8798,0.0366],[5,0.8798,0.0362],[6,0.8798,0.0365]],"locale":"","replaced":[],"dressed":[1,2,3,4,5,6],"wire":"","why":""}','5148dee0c598aac903debe1825ee6e702a93aae0251a7f8201aa94da009f8175',X'255044462D312E372061732069742077617320697373756564','2026-11-29','2026-11-29 11:11:01.456258','2026-11-29 11:11:01.745849');
CREATE TABLE fret_heights (
	id INTEGER NOT NULL, 
	visit_id INTEGER NOT NULL, 
	fret INTEGER NOT NULL, 
	height DOUBLE, 
	written DATETIME NOT NULL, 
	CONSTRAINT pk_fret_heights PRIMARY KEY (id), 
	CONSTRAINT fk_fret_heights_visit_id_visits FOREIGN KEY(visit_id) REFERENCES visits (id)
);
INSERT INTO "fret_heights" VALUES(1,1,3,1.02,'2026-11-29 11:11:01.275740');
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
INSERT INTO "fret_work" VALUES(1,2,'levelled','[]',0.1,NULL,NULL,'','2026-11-29 11:11:01.799079',NULL);
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
INSERT INTO "hand_measures" VALUES(1,1,'distance','[[1.5,2.0],[3.0,4.0]]','{}','{"value":1.375,"u":0.01,"unit":"mm","contributions":{"edge noise":0.008,"scale":0.006},"flags":[],"by_hand":false}','t','a chip','2026-11-29 11:11:01.781827',NULL);
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
INSERT INTO "inspections" VALUES(1,1,'{"view":"elevation","scale":{"kind":"auto","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0,"at_px":null},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":null,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]}','{"format":1,"view":"elevation","photo":{"name":"e1.jpg","sha256":"914ab142d2863191974bacb9ba74a2b8b0f6f3e8d2b01a2f551063216ba1ea48","width_px":160,"height_px":120},"version":"t","options":{},"frets":[{"number":1,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.15,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":2,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.2,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":3,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]},{"number":4,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.1,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":5,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]},{"number":6,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[],"outlines":[]}],"not_measured":[],"flags":[],"camera":{"focal_px":4000.0,"focal_source":"EXIF","k1":0.0,"distance_mm":220.0,"tilt_deg":5.0,"px_per_mm":20.0},"checks":{},"first_fret":1}','t',21,'2026-11-29 11:11:01.075288',NULL,NULL);
INSERT INTO "inspections" VALUES(2,2,'{"view":"elevation","scale":{"kind":"auto","diameter_mm":null,"span_px":null,"span_mm":null,"rule_unit":"mm","factor":1.0,"at_px":null},"scale_plane":{"where":"crown","below_mm":0.0},"scale_length":null,"first_fret":1,"nut":"left","treble":"bottom","crown_width":null,"crown_height":null,"end":null,"hand_edges":[]}','{"format":1,"view":"elevation","photo":{"name":"e2.jpg","sha256":"81a2496ee07b06b4197ed7902859e81391b94e90e0a84541e023d3765ec094d9","width_px":160,"height_px":120},"version":"t","options":{},"frets":[{"number":1,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":2,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":3,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":4,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":5,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]},{"number":6,"blind_depth":{"value":0.004,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false},"bevel":{"treble":{"value":30.0,"u":0.4,"unit":"deg","contributions":{"reading":0.4},"flags":[],"by_hand":false}},"flats":[],"divots":[{"from_treble_end":{"value":20.0,"u":0.1,"unit":"mm","contributions":{"reading":0.1},"flags":[],"by_hand":false},"length":{"value":5.0,"u":0.2,"unit":"mm","contributions":{"reading":0.2},"flags":[],"by_hand":false},"depth":{"value":0.02,"u":0.005,"unit":"mm","contributions":{"reading":0.005},"flags":[],"by_hand":false}}],"outlines":[]}],"not_measured":[],"flags":[],"camera":{"focal_px":4000.0,"focal_source":"EXIF","k1":0.0,"distance_mm":220.0,"tilt_deg":5.0,"px_per_mm":20.0},"checks":{},"first_fret":1}','t',30,'2026-11-29 11:11:01.133706',NULL,NULL);
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
','A. Customer','','Board no. 6','',648.0,6,6,NULL,NULL,'Rosewood',NULL,NULL,0,0,'',NULL,1.1,'Buzzes',NULL,'2026-11-29 11:11:00.959751','2026-11-29 11:11:01.799165',0,0,0,NULL);
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
INSERT INTO "judgements" VALUES(1,1,'fret 1, bevel treble','accept','','2026-11-29 11:11:01.162352',NULL);
INSERT INTO "judgements" VALUES(2,1,'fret 1, divots 1, from treble end','accept','','2026-11-29 11:11:01.162493',NULL);
INSERT INTO "judgements" VALUES(3,1,'fret 1, divots 1, length','accept','','2026-11-29 11:11:01.162536',NULL);
INSERT INTO "judgements" VALUES(4,1,'fret 1, divots 1, depth','accept','','2026-11-29 11:11:01.162570',NULL);
INSERT INTO "judgements" VALUES(5,1,'fret 2, bevel treble','accept','','2026-11-29 11:11:01.162602',NULL);
INSERT INTO "judgements" VALUES(6,1,'fret 2, divots 1, from treble end','accept','','2026-11-29 11:11:01.162636',NULL);
INSERT INTO "judgements" VALUES(7,1,'fret 2, divots 1, length','accept','','2026-11-29 11:11:01.162667',NULL);
INSERT INTO "judgements" VALUES(8,1,'fret 2, divots 1, depth','accept','','2026-11-29 11:11:01.162698',NULL);
INSERT INTO "judgements" VALUES(9,1,'fret 3, bevel treble','accept','','2026-11-29 11:11:01.162726',NULL);
INSERT INTO "judgements" VALUES(10,1,'fret 4, bevel treble','accept','','2026-11-29 11:11:01.162754',NULL);
INSERT INTO "judgements" VALUES(11,1,'fret 4, divots 1, from treble end','accept','','2026-11-29 11:11:01.162782',NULL);
INSERT INTO "judgements" VALUES(12,1,'fret 4, divots 1, length','accept','','2026-11-29 11:11:01.162809',NULL);
INSERT INTO "judgements" VALUES(13,1,'fret 4, divots 1, depth','accept','','2026-11-29 11:11:01.162846',NULL);
INSERT INTO "judgements" VALUES(14,1,'fret 5, bevel treble','accept','','2026-11-29 11:11:01.162873',NULL);
INSERT INTO "judgements" VALUES(15,1,'fret 6, bevel treble','accept','','2026-11-29 11:11:01.162902',NULL);
INSERT INTO "judgements" VALUES(16,2,'fret 1, bevel treble','accept','','2026-11-29 11:11:01.163514',NULL);
INSERT INTO "judgements" VALUES(17,2,'fret 1, divots 1, from treble end','accept','','2026-11-29 11:11:01.163561',NULL);
INSERT INTO "judgements" VALUES(18,2,'fret 1, divots 1, length','accept','','2026-11-29 11:11:01.163590',NULL);
INSERT INTO "judgements" VALUES(19,2,'fret 2, bevel treble','accept','','2026-11-29 11:11:01.163616',NULL);
INSERT INTO "judgements" VALUES(20,2,'fret 2, divots 1, from treble end','accept','','2026-11-29 11:11:01.163641',NULL);
INSERT INTO "judgements" VALUES(21,2,'fret 2, divots 1, length','accept','','2026-11-29 11:11:01.163682',NULL);
INSERT INTO "judgements" VALUES(22,2,'fret 3, bevel treble','accept','','2026-11-29 11:11:01.163707',NULL);
INSERT INTO "judgements" VALUES(23,2,'fret 3, divots 1, from treble end','accept','','2026-11-29 11:11:01.163732',NULL);
INSERT INTO "judgements" VALUES(24,2,'fret 3, divots 1, length','accept','','2026-11-29 11:11:01.163758',NULL);
INSERT INTO "judgements" VALUES(25,2,'fret 4, bevel treble','accept','','2026-11-29 11:11:01.163791',NULL);
INSERT INTO "judgements" VALUES(26,2,'fret 4, divots 1, from treble end','accept','','2026-11-29 11:11:01.163849',NULL);
INSERT INTO "judgements" VALUES(27,2,'fret 4, divots 1, length','accept','','2026-11-29 11:11:01.163888',NULL);
INSERT INTO "judgements" VALUES(28,2,'fret 5, bevel treble','accept','','2026-11-29 11:11:01.168101',NULL);
INSERT INTO "judgements" VALUES(29,2,'fret 5, divots 1, from treble end','accept','','2026-11-29 11:11:01.168146',NULL);
INSERT INTO "judgements" VALUES(30,2,'fret 5, divots 1, length','accept','','2026-11-29 11:11:01.168175',NULL);
INSERT INTO "judgements" VALUES(31,2,'fret 6, bevel treble','accept','','2026-11-29 11:11:01.168200',NULL);
INSERT INTO "judgements" VALUES(32,2,'fret 6, divots 1, from treble end','accept','','2026-11-29 11:11:01.168225',NULL);
INSERT INTO "judgements" VALUES(33,2,'fret 6, divots 1, length','accept','','2026-11-29 11:11:01.168263',NULL);
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
INSERT INTO "photos" VALUES(1,1,1,'914ab142d2863191974bacb9ba74a2b8b0f6f3e8d2b01a2f551063216ba1ea48','.jpg',12362,160,120,'e1.jpg','elevation','','','2026-11-29 11:11:01.031296',NULL);
INSERT INTO "photos" VALUES(2,1,2,'81a2496ee07b06b4197ed7902859e81391b94e90e0a84541e023d3765ec094d9','.jpg',12396,160,120,'e2.jpg','elevation','','','2026-11-29 11:11:01.106595',NULL);
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
INSERT INTO "terms" VALUES(1,'{"divot_leave":{"text":"Divot that may stay","value":0.05,"unit":"mm","side":"upper","source":"common practice, no source"},"flat_share":{"text":"Flat width as a share of the crown width before it wants recrowning","value":0.4,"unit":"1","side":"upper","source":"common practice, no source: a third to a half of the crown width"},"crown_height":{"text":"Crown height that must be left","value":0.7,"unit":"mm","side":"lower","source":"common practice, no source: 0.6 to 0.8 mm"},"level_step":{"text":"Step between a fret and its neighbours along a string","value":0.05,"unit":"mm","side":"upper","source":"common practice, no source: 0.03 to 0.05 mm"},"bevel_deviation":{"text":"Bevel angle away from the agreed one","value":2.5,"unit":"deg","side":"upper","source":"common practice, no source"},"clean_up_margin":{"text":"Taken off beyond the deepest divot so that the file has touched everywhere","value":0.02,"unit":"mm","side":"upper","source":"common practice, no source: one levelling takes 0.05 to 0.15 mm in all"},"after_divot":{"text":"After the work: divot left behind","value":0.03,"unit":"mm","side":"upper","source":"common practice, no source: less than may stay before the work, and what 0.02 mm of cleaning up ensures"},"after_flat_share":{"text":"After the work: flat width as a share of the crown width","value":0.25,"unit":"1","side":"upper","source":"common practice, no source: a crowned fret keeps a line along its top, a quarter of its width at most"},"after_height_loss":{"text":"After the work: crown height below what the estimate expected","value":0.1,"unit":"mm","side":"upper","source":"common practice, no source: one levelling takes 0.05 to 0.15 mm, so good work differs by as much"}}','{"currency":"USD","minor_digits":2,"source":"invented for the first start; no shop''s prices","rates":{"labour_per_hour":7500,"tax_percent":"0","deposit_percent":"30","valid_days":30},"hours":{"inspect":"0.25","spot_dress_per_fret":"0.3","spot_dress_setup":"0.5","recrown_polish":"1.75","level_crown_polish":"2.5","replace_per_fret":"0.4","refret_base":"3.0","setup_after":"1.0","nut_check":"0.5"},"materials":{"wire_per_fret":150,"consumables":800},"locale":""}',1,30.0,'','','2026-11-29 11:11:01.351581');
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
