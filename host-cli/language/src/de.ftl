## Kopf und Fuß

title-valve = Nachweis der Sitzdichtheit: Kugelhahn { $serial }
title-batch = Nachweis der Sitzdichtheit: Los { $batch }
title-several = Nachweise der Sitzdichtheit
number = Nachweis { $number }
draft = ENTWURF
draft-notice = Entwurf
draft-text = Er hat keine Nummer, nichts davon ist eingetragen, und er weist nichts nach.
selection-notice = Auswahl
selection-text = Grundlage ist eine Auswahl der Einträge dieses Loses. Was die übrigen sagen, ist hier nicht bekannt.
simulated-notice = Simuliert
simulated-text = Die Messwerte stammen vom simulierten Prüfstand. Es wurde kein Kugelhahn geprüft, und nichts hiervon ist ein Nachweis.
first-to-last = { $first } bis { $last }
page-of = Seite { $page } von { $pages }
mark-of = Zeichen von { $shop }
issued = Ausgestellt
issued-by = { $moment } von { $name }
released = Freigegeben
name-below-line = Name
signed = Signiert
signed-text = die Daten, die der PDF-Datei beiliegen, mit dem Schlüssel des Fingerabdrucks { $fingerprint }
code-caption = { $number }; SHA-256 der Daten beginnt mit { $digits }

## Ergebnisse

result-tight = DICHT
result-leaking = UNDICHT
result-undecided = UNENTSCHIEDEN
result-void = UNGÜLTIG
result-not-proved = NICHT NACHGEWIESEN
result-set-aside = AUSGESONDERT
result-no-verdict = KEIN ERGEBNIS
by-override = NACH AUSNAHMEFREIGABE
simulated = SIMULIERT
tight-of-all = { $tight } von { $all } DICHT
each-in-its-line = Von beiden Seiten; jeder in seiner Zeile unten.
reason-tight = Die Leckrate jeder Seite liegt mit dem Sicherheitsabstand unter dem Grenzwert.
reason-tight-by-override = Die Leckrate jeder Seite liegt mit dem Sicherheitsabstand unter dem Grenzwert, nach dem beurteilt wurde. Der Lauf passte nicht zu dem, was der Kugelhahn sein oder einhalten muss: siehe die Vermerke.
reason-leaking = Mindestens eine Seite leckt mehr, als der Grenzwert erlaubt.
reason-undecided = Die Leckrate einer Seite liegt für ihre Unsicherheit zu nahe am Grenzwert; das ist weder dicht noch undicht.
reason-void = Die Prüfung einer Seite wurde gestört, sodass sich über sie nichts sagen lässt.
reason-not-proved = Ein Kugelhahn ist nachgewiesen, wenn beide Seiten es sind.
no-result-first = Für die erste Seite liegt kein Ergebnis vor.
no-result-second = Für die zweite Seite liegt kein Ergebnis vor.
fault-ended = Ein Lauf endete mit einer Störung; siehe sein Ereignisprotokoll.
verdict-tight = dicht
verdict-leaking = undicht
verdict-undecided = unentschieden
verdict-void = ungültig
verdict-none = keines
no-figure = kein Wert
no-result = kein Ergebnis
not-tested = nicht geprüft

## Angaben

valve = Kugelhahn
valves = Kugelhähne
batch = Los
order-customer = Kunde
order-order = Bestellung
order-line = Bestellposition
order-drawing = Zeichnung
order-material = Werkstoff
order-heat = Schmelze
order-procedure = Prüfanweisung
order-remark = Bemerkung
before-that = Davor
reworked = { $times ->
    [1] nachgearbeitet
    [2] zweimal nachgearbeitet
   *[other] { $times } Mal nachgearbeitet
  }
opened-by-air = mit Druckluft geöffnet
turned-by-hand = von Hand betätigt
finished-length = Baulänge
length-required = Geforderte Baulänge
required-words = { $nominal } mm, { $least } bis { $most } mm
required-in-table = gefordert { $words }
length-not-measured = nicht gemessen
length-conforms = stimmt
length-too-close = zu knapp für eine Aussage
length-does-not = stimmt nicht
done-after-test = NACH DER PRÜFUNG ERLEDIGT: { $steps }
bolted-after-test = NACH DER PRÜFUNG VERSCHRAUBT
noted-before = zuvor notiert: { $lengths } mm
held-by = gehalten { $hold }, von { $names }
before-rework = vor einer Nacharbeit gemessen
assembly = Montage
all-steps-done = alle Schritte erledigt
no-steps = keine Schritte festgelegt
steps-not-done = NICHT ERLEDIGT: { $steps }
test = Prüfung
test-words = Druckhalteprüfung mit Druckluft, { $pressure } Überdruck
limit-taken-from = Grenzwert entnommen aus
limit-taken-words = { $class }: dieser Wert, und sonst nichts daraus
rig = Prüfstand
notes = Vermerke
calibrations = Kalibrierungen
no-calibrations = keine eingetragen: die Werte der Prüfstandsdatei
not-counted = Nicht gewertet
not-counted-words = nicht gewertet: { $words }
of-record = Eintrag { $record }, { $words }
record-and-why = Eintrag { $record }, Ergebnis { $found }: { $words }
mark-limit = beurteilt nach dem Grenzwert { $judged }, gefordert sind { $required }
mark-struck = gestrichen von { $by }, { $at }: { $text }
mark-moved-away = { $to } war auf dem Prüfstand; umgebucht von { $by }, { $at }: { $text }
mark-moved-here = umgebucht: aufgezeichnet für { $for }; umgebucht von { $by }, { $at }: { $text }
mark-override = Ausnahmefreigabe: { $text } ({ $by })
name-not-stated = ohne Namen

## Was nicht übersehen werden darf

assembly-not-complete = Montage unvollständig oder nach der Prüfung
see-assembly-of = siehe die Angaben zur Montage von { $serials }.
length-notice = Baulänge
length-does-not-of = stimmt nicht: { $serials }.
length-too-close-of = zu nahe an ihren Grenzen für eine Aussage: { $serials }.

since-then = Seit diesen Prüfungen
later-leak = Eintrag { $record }, { $at }, von { $by }: undicht, in einem Lauf außerhalb dieses Loses
later-rework = Eintrag { $record }, { $at }: in einem anderen Los nachgearbeitet von { $by }: { $text }
later-set-aside = Eintrag { $record }, { $at }: in einem anderen Los ausgesondert von { $by }: { $text }

## Tabellen

table-of-sides = Leckrate jeder Seite und Grenzwert
table-of-valves = Kugelhähne und Leckrate jeder Seite
column-side = Seite
column-verdict = Ergebnis
column-leak = Leckrate ± Unsicherheit
column-limit = Grenzwert
column-hold = Haltezeit
column-tested = Geprüft
column-by = Von
column-record = Eintrag
column-result = Ergebnis
column-also = Außerdem
side-first = Erste Seite
side-second = Zweite Seite
side-and-end = { $side } (Ende { $end } am Zulauf)
record-in-table = Eintrag { $records }

## Regel

rule = Eine Seite ist dicht, wenn ihre Leckrate und ein Sicherheitsabstand darüber unter dem Grenzwert liegen; das Risiko, eine Seite dicht zu nennen, die so viel leckt wie der Grenzwert, ist { $risk } % (Annahme mit Sicherheitsabstand, JCGM 106:2012, 8.3). Der Wert hinter ± überdeckt die wahre Leckrate mit { $coverage } %.
reference = Leckraten gelten bei { $temperature } und { $pressure }.
length-rule = Eine Baulänge stimmt, wenn sie mit einem Sicherheitsabstand innerhalb ihrer Grenzen liegt; das Risiko, eine zu billigen, die nicht stimmt, ist { $risk } % (JCGM 106:2012, 8.3); der Wert hinter ± ist ihre erweiterte Unsicherheit, k = 2.
does-not-say = Angegeben sind die gefundenen Leckraten, nicht die Übereinstimmung mit einer Norm; nichts ist gesagt über die Festigkeit des Gehäuses, andere Medien, Drücke oder Temperaturen, oder eine spätere Zeit.

## Etiketten

label-air = Druckluft
label-hand = Handhebel
label-limit = Grenzwert { $limit }
label-two-limits = { $one } und { $other }
label-batch = Los { $batch }
label-leaking = undicht
label-half-tested = halb geprüft
label-test-again = erneut prüfen
label-rework = nachzuarbeiten
label-retest = erneut zu prüfen
label-end-a = ENDE A
label-end-b = ENDE B
