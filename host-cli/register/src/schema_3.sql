-- From here on a note may say what a valve must meet, or that a run does not count. A program that does not know them would
-- count wrongly, so it must refuse the file.
CREATE INDEX notes_about ON notes (about);
