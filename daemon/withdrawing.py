"""An entry of the journal is taken back: what else that changes. Marks of a batch are no words of the brewer's."""

from ullage.adapters.errors import ConfigError
from ullage.daemon.store import batches
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.store import Store
from ullage.detectors.journal import Word, understand


def withdraw(store: Store, vessel: str, entry: JournalEntry, now_s: float) -> bool:
    """Take an entry that stands in a vessel's journal back; return whether a batch that had ended goes on with it.

    Raises
    ------
    ConfigError
        If it marks where a batch began, or the end of one that another has followed.
    StoreError
        If it can't be written.
    """
    known = understand(entry.text)
    if known is not None and known.word is Word.BATCH_STARTED:
        raise ConfigError(f"entry {entry.id}", "marks where a batch began", "`ullage batch end` ends it")
    goes_on = known is not None and known.word is Word.BATCH_ENDED
    if goes_on:
        last = batches.newest(store, vessel)
        if last is None or last.ended_s is None or abs(last.ended_s - entry.time_s) > 1:
            raise ConfigError(
                f"entry {entry.id}", "ends a batch that another has followed", "it stays as it is"
            )
        batches.reopen(store, last.id)
    store.strike_entry(entry.id, made_s=now_s)
    return goes_on
