"""Limits on the cost of one request or one file; the service and the commands read them here alone.

Every limit is reached before dearer work begins: a body that is too wide is refused before its names are
read, and the names most like a wrong one are looked for only among the faults that are told.
"""

# ── what is read ─────────────────────────────────────────────────────────────

DEEPEST = 32  # Objects and lists in one another; no format of this project has as many.
MOST_CONTAINERS = 2_000  # Objects and lists of one text; the fullest of ours has about 250.
MOST_MEMBERS = 100  # Members of one object; the widest of ours, a set of changes by path, has about 40.
MOST_ITEMS = 1_000  # Items of one list.
MOST_LEVELS = 20  # Ranges of one value.
MOST_ALTERNATIVES = 50  # Other states of an instrument that one request can ask for.
LONGEST_COMPARED = 80  # Characters of a name that are compared with the names that it may stand for.
LONGEST_SOURCE = 1_000  # Characters that say where a record comes from.
LONGEST_PRICE = 40  # Characters of a price.
MOST_COLUMNS = 1_000  # Columns of a table.
LONGEST_RECORD_LINES = 50  # A quote that stays open for more lines is taken for a stray character.

# ── what is told ─────────────────────────────────────────────────────────────

MOST_FAULTS = 50  # Faults that one answer tells; of the others it says how many there are.
LONGEST_SHOWN = 100  # Characters of a wrong value, a name or an id that an answer repeats.

# ── files of rows ────────────────────────────────────────────────────────────

LONGEST_LINE = 32 * 1024  # Bytes of a line, about fifteen times a row that uses every field.
MOST_LINES = 50_000  # Lines of a file of evidence.
# A file is not read on where rows are refused one after the other, up to one of these: rows and their faults,
# lines and bytes read since the last good row, and bytes of the answers that say what is wrong with them.
MOST_REFUSED, MOST_REFUSED_FAULTS = 250, 2_500
MOST_REFUSED_LINES, MOST_REFUSED_BYTES = 2_500, 2**18
MOST_REFUSED_SAID = 128 * 1024

# ── a dealer's stock ─────────────────────────────────────────────────────────

# What a dealer keeps with an item for itself: members, and characters of a name, of a text and of all.
MOST_EXTRA, LONGEST_EXTRA_NAME, LONGEST_EXTRA_TEXT, MOST_EXTRA_CHARACTERS = 50, 100, 1_000, 8_000
ITEMS_AT_ONCE = 100  # Items of a file that are valued and written in one step; others go between two steps.
MOST_ITEM_LINES = 50_000  # Lines of a file of items.
# Rows and columns of a workbook, bytes of it unpacked and as it is read; seconds and bytes of who reads it.
MOST_SHEET_ROWS, MOST_SHEET_COLUMNS, MOST_SHEET_UNPACKED = 50_000, 300, 256 * 2**20
SHEET_SECONDS, SHEET_MEMORY = 60.0, 768 * 2**20

# ── the desk ─────────────────────────────────────────────────────────────────

SHORTEST_PASSWORD, LONGEST_PASSWORD = 12, 200  # Characters of a password.
LONGEST_USER_NAME = 80  # Characters of the name under which someone signs in.
CODE_STEPS = 1  # Steps of 30 seconds by which a clock may be off when a code is checked.
FREE_FAILURES = 5  # Failures in signing in before a user is locked; each one after doubles the time.
LOCK_SECONDS, LONGEST_LOCK_SECONDS = 60, 3600
ATTEMPTS_OF_NETWORK, ATTEMPTS_SECONDS = 20, 900  # Attempts to sign in from one network in so many seconds.
SESSION_HOURS, IDLE_MINUTES = 12, 30  # The life of a session, and of one that nobody uses.
SEEN_SECONDS = 60  # How far behind the last use of a session may be.

# ── what only the service has ────────────────────────────────────────────────

# A gzipped body is refused that unpacks to more than this, and to more than so many times its size.
TRUSTED_INFLATED, MOST_INFLATED = 2**20, 200
IDEMPOTENCY_HOURS = 24  # The time for which an Idempotency-Key and the answer under it are kept.
EXPIRED_SECRET_DAYS = 30  # The time for which a key still shows a secret that has expired.

MOST_CHILDREN_WAITED_FOR = 150  # Threads of a worker that wait for photographs and reports to be made.

# ── photographs ──────────────────────────────────────────────────────────────

MOST_PHOTOGRAPHS = 24  # Photographs of one request.
MOST_PIXELS, LONGEST_SIDE = 50_000_000, 20_000  # Pixels of one as it is sent, and of its longer side.
MOST_WEBP_PIXELS = 20_000_000  # The library that decodes WebP needs 16 bytes for each.
PHOTOGRAPH_SIDE, THUMBNAIL_SIDE = 3_000, 480  # Pixels of the longer side as it is kept, and of its thumbnail.
# Seconds and bytes of the process that decodes one; the dearest that is taken needs 2 seconds and 460 MB.
PHOTOGRAPH_SECONDS, PHOTOGRAPH_MEMORY = 20.0, 512 * 2**20
FILES_SECONDS = 10.0  # Seconds that an S3-compatible store has for one answer.
UNREFERENCED_HOURS = 24  # The time after which a kept file is deleted that no row names.

# ── owners' requests ─────────────────────────────────────────────────────────

# Characters of what an owner, a site and the specialist write.
LONGEST_NAME, LONGEST_EMAIL, LONGEST_PHONE, LONGEST_REFERENCE = 200, 254, 40, 200
LONGEST_MESSAGE, LONGEST_REASON = 4_000, 1_000
MOST_NOTES = 500  # Notes and messages of one request.
MOST_ANSWERINGS = 50  # Times that an owner can send answers to one request.
# Zero bits that a proof of work begins with (65,536 tries, about a second in a browser), and its lifetime.
PROOF_BITS, PROOF_SECONDS = 16, 600

# ── offers ───────────────────────────────────────────────────────────────────

LONGEST_TERMS_NAME, MOST_OFFER_TERMS = 80, 500  # Characters of a name of kept terms, and number of those.

# ── portfolios ───────────────────────────────────────────────────────────────

MOST_PORTFOLIO = 50_000  # Items that one portfolio can have; 20,000 take about seven seconds of a processor.
MOST_LEFT_OUT = 100  # Items without a value that its answer names.
MOST_HORIZON = 60  # Months that its value at risk can look ahead.

# ── reports ──────────────────────────────────────────────────────────────────

REPORT_SECONDS, REPORT_MEMORY = 60.0, 2**30  # Seconds and bytes of the process that sets one as PDF.
LONGEST_STATEMENT = 4_000  # Characters of a text that a report repeats.

# ── e-mails ──────────────────────────────────────────────────────────────────

# Minutes between attempts to send an e-mail, a little over two days in all; then it is left to a person.
MAIL_PAUSES = (1, 5, 15, 60, 180, 360, 720, 720, 900)
MAIL_EVERY_SECONDS = 5.0  # The time between two looks for e-mails that are due.
MAIL_SECONDS = 20.0  # A mail server must take or send a line within this time.
# A process has an e-mail to itself for this time: longer than a dialogue in which each line takes its most.
MAIL_LEASE_SECONDS = 300
MAILS_AT_ONCE = 100  # E-mails that one look finds.
LONGEST_ADDRESS = 254  # Characters of an e-mail address (RFC 5321).
LONGEST_GREETED = 80  # Characters of a name that an e-mail shows.

# ── the catalogue as the next fit has it ─────────────────────────────────────

MOST_CATALOGUE_TABLES = 200  # Finishes of a model, and editions, and watchpoints.
LONGEST_CATALOGUE_NOTE = 500  # Characters of what a watchpoint says.

# ── revaluations ─────────────────────────────────────────────────────────────

REVALUE_AT_ONCE = 100  # Items whose values are kept in one transaction.
REVALUE_AT_A_TIME = 10  # Items that are valued before the next rest, in some milliseconds.
REVALUE_REST = 1.0  # That rest, as a share of the processor time that they took.
# A process has a revaluation to itself for this time, which each chunk renews; then another goes on with it.
REVALUE_LEASE_SECONDS = 5
REVALUE_LOOK_SECONDS = 2.0  # The time between two looks for a revaluation that waits.

# ── the form of owners ───────────────────────────────────────────────────────

MOST_OFFERED = 400  # Models that the form offers without script; a script offers all.
MOST_FORM_BYTES = 128 * 2**20  # Bytes that a browser without script posts at once, all photographs included.
MOST_FORM_PARTS, MOST_FORM_TEXT = 100, 2**15  # Questions and photographs of it; bytes of all that it says.
# Bytes of one answer in it as it is read; photographs come through in pieces, which have to be shorter.
LONGEST_FORM_PART = 2**18

# ── webhooks ─────────────────────────────────────────────────────────────────

MOST_WEBHOOKS = 16  # Each has a thread of its own in a worker while something is due there.
LONGEST_URL = 2_000  # Characters of a webhook's address.
# Seconds between attempts to deliver an event, a little over a day in all; and to an endpoint that takes
# nothing, which is parked when the last is over. Each is drawn longer by up to this share.
WEBHOOK_PAUSES = (5, 60, 300, 1_800, 7_200, 18_000, 28_800, 36_000)
WEBHOOK_JITTER = 0.1
WEBHOOK_PATIENCE = 3  # Failures in a row before the whole endpoint is left alone for a while.
MOST_WEBHOOK_PAUSE = 3_600.0  # Seconds that an endpoint can ask for by Retry-After.
WEBHOOK_EVERY_SECONDS = 1.0  # The time between two looks for what is due.
WEBHOOK_AT_ONCE = 8  # Deliveries that one endpoint is sent at once, by all workers together.
WEBHOOK_SECONDS = 15.0  # An endpoint must answer within this time, whatever it does meanwhile.
WEBHOOK_ANSWER_BYTES, WEBHOOK_ANSWER_SECONDS = 16 * 1024, 2.0  # How much of its answer's body is read.
WEBHOOK_ADDRESSES = 3  # Addresses of a name that are tried, one after the other.
# A process has a delivery to itself for this time: longer than looking up a name and an attempt together.
WEBHOOK_LEASE_SECONDS = 120
WEBHOOK_DAYS = 30  # The time for which events are kept, delivered or not.
MOST_REPLAYED = 20_000  # Deliveries that one request queues again.

# ── more than one machine ────────────────────────────────────────────────────

BUNDLE_SECONDS = 60.0  # Seconds that an S3-compatible store has for one file of a price model.
STORE_TRIES = 20  # Times that a change of what is current is made anew because another one came first.
# Seconds that the shared counters of requests have for one answer, and for which each server counts alone
# after they gave none.
COUNTERS_SECONDS, COUNTERS_PAUSE = 0.25, 5.0
CLUSTER_SECONDS = 10.0  # Seconds in which a cluster must answer, and have a worker.
CHUNKS_OF_WORKER = 8  # Chunks of a stock list that a cluster has at once, for each of its workers.
