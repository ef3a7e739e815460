-- A history as the program wrote it before reps had a coach's mark (schema 1): one session of six reps.
PRAGMA application_id = 1146244180;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE blocks (
        session INTEGER NOT NULL REFERENCES sessions (number) ON DELETE CASCADE,
        number INTEGER NOT NULL,
        name TEXT NOT NULL,
        mode TEXT NOT NULL,
        level TEXT NOT NULL,
        situation TEXT NOT NULL,
        warm_up INTEGER NOT NULL,
        feedback TEXT NOT NULL,
        PRIMARY KEY (session, number)
    ) WITHOUT ROWID;
INSERT INTO "blocks" VALUES(1,0,'warm-up','predictive','club','return',1,'none');
INSERT INTO "blocks" VALUES(1,1,'test','predictive','club','return',0,'none');
CREATE TABLE players (
        id INTEGER PRIMARY KEY,
        key TEXT NOT NULL UNIQUE,
        name TEXT NOT NULL,
        level TEXT,
        sport TEXT
    );
INSERT INTO "players" VALUES(1,'kim','Kim',NULL,NULL);
CREATE TABLE reps (
        session INTEGER NOT NULL REFERENCES sessions (number) ON DELETE CASCADE,
        rep INTEGER NOT NULL,
        block INTEGER NOT NULL,
        mode TEXT NOT NULL,
        level TEXT,
        warm_up INTEGER NOT NULL,
        withheld INTEGER NOT NULL,
        start_s REAL NOT NULL,
        end_s REAL NOT NULL,
        contact_s REAL NOT NULL,
        cues TEXT NOT NULL,
        call TEXT,
        open_ms REAL NOT NULL,
        centre_ms REAL NOT NULL,
        close_ms REAL NOT NULL,
        grade TEXT NOT NULL,
        touchdown_ms REAL,
        error_ms REAL,
        uncertainty_ms REAL,
        stagger_ms REAL,
        first_step_ms REAL,
        guessed INTEGER NOT NULL,
        void TEXT NOT NULL,
        contact_heard_s REAL,
        touchdown_s REAL,
        second_touchdown_s REAL,
        first_step_s REAL,
        PRIMARY KEY (session, rep)
    ) WITHOUT ROWID;
INSERT INTO "reps" VALUES(1,0,0,'predictive',NULL,1,0,1.0,4.5399822950112547204e+00,3.83998229501125454277e+00,'[{"role":"precue","sound":"get ready","at_s":0.0},{"role":"precue","sound":"swing","at_s":2.8399822950112545,"length_s":0.48018237353108095},{"role":"contact","sound":"smack","at_s":2.8399822950112545}]',NULL,73.0,133.0,193.0,'on time',1.70668616187226575677e+02,3.76686161872265756755e+01,1.0,20.0,NULL,0,'',NULL,NULL,NULL,NULL);
INSERT INTO "reps" VALUES(1,1,0,'predictive',NULL,1,0,9.5399822950112547204e+00,1.23464288207249150985e+01,1.16464288207249158093e+01,'[{"role":"precue","sound":"swing","at_s":2.106446525713661,"length_s":0.48447815431900293},{"role":"contact","sound":"smack","at_s":2.106446525713661}]',NULL,73.0,133.0,193.0,'on time',7.71368758119540132156e+01,-5.58631241880459938897e+01,1.0,21.0,NULL,0,'',NULL,NULL,NULL,NULL);
INSERT INTO "reps" VALUES(1,2,0,'predictive',NULL,1,0,1.73464288207249168745e+01,1.96096035307659803947e+01,1.89096035307659811053e+01,'[{"role":"precue","sound":"swing","at_s":1.5631747100410642,"length_s":0.5096541067497367},{"role":"contact","sound":"smack","at_s":1.5631747100410642}]',NULL,73.0,133.0,193.0,'on time',1.058114220768631526e+02,-2.7188577923136843851e+01,1.0,22.0,NULL,0,'',NULL,NULL,NULL,NULL);
INSERT INTO "reps" VALUES(1,3,0,'predictive',NULL,1,1,2.46096035307659803952e+01,2.98533214915905205089e+01,2.91533214915905212203e+01,'[]',NULL,73.0,133.0,193.0,'withheld (kept still)',NULL,NULL,NULL,NULL,NULL,0,'',NULL,NULL,NULL,NULL);
INSERT INTO "reps" VALUES(1,4,0,'predictive',NULL,1,0,3.48533214915905205084e+01,3.71105008735293964141e+01,3.6410500873529393572e+01,'[{"role":"precue","sound":"swing","at_s":1.557179381938873,"length_s":0.47490128491594236},{"role":"contact","sound":"smack","at_s":1.557179381938873}]',NULL,73.0,133.0,193.0,'on time',9.23460442324771690891e+01,-4.06539557675228380162e+01,1.0,24.0,NULL,0,'',NULL,NULL,NULL,NULL);
INSERT INTO "reps" VALUES(1,5,0,'predictive',NULL,1,0,4.21105008735293964141e+01,4.49054710018066245442e+01,4.4205471001806621702e+01,'[{"role":"precue","sound":"swing","at_s":2.0949701282772253,"length_s":0.5078465530029506},{"role":"contact","sound":"smack","at_s":2.0949701282772253}]',NULL,73.0,133.0,193.0,'on time',1.30115199088597137237e+02,-2.88480091140285388462e+00,1.0,25.0,NULL,0,'',NULL,NULL,NULL,NULL);
CREATE TABLE sessions (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        uid TEXT NOT NULL UNIQUE,
        player INTEGER NOT NULL REFERENCES players (id) ON DELETE CASCADE,
        started_utc TEXT NOT NULL,
        drill TEXT NOT NULL,
        protocol TEXT NOT NULL,
        seed INTEGER,
        source TEXT NOT NULL,
        speaker_to_player_m REAL NOT NULL,
        player_to_mic_m REAL NOT NULL,
        speaker_to_mic_m REAL NOT NULL,
        air_c REAL NOT NULL,
        input_device TEXT NOT NULL,
        output_device TEXT NOT NULL,
        rate_hz INTEGER NOT NULL,
        versions TEXT NOT NULL,
        ending TEXT,
        health TEXT NOT NULL
    );
INSERT INTO "sessions" VALUES(1,'a',1,'2026-03-10T17:20:00Z','Test block','b43758e0a6f576ea',0,'live',3.0,3.0,0.3,20.0,'laptop','loudspeaker',48000,'{"drilltimer":"0.1.0"}','done','{"blocks":0,"xruns":0,"worst_callback_ms":null,"round_trip_ms":null,"round_trip_sd_ms":null,"drift_ppm":null,"noise_db":null,"notes":[],"own_left_db":null}');
CREATE INDEX sessions_of_player ON sessions (player, started_utc);
CREATE INDEX sessions_in_time ON sessions (started_utc);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('sessions',1);
COMMIT;
