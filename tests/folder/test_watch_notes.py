"""JPEGs beside raw files, and gaps in the camera's numbering."""

from __future__ import annotations

from stopwise.folder.listing import Listing, SeenFile
from stopwise.folder.watch_notes import BacklogNotes, LonePictures, Note, NumberGaps
from stopwise.ledger import Stamp


def listing(*raws: str, pictures: tuple[str, ...] = (), is_sweep: bool = True) -> Listing:
    seen = tuple(SeenFile(path, Stamp(1, 1, 1), 0) for path in raws)
    return Listing(raws=seen, pictures=frozenset(pictures), is_sweep=is_sweep)


class Companions(LonePictures):
    """Lone pictures, told which raw files are new."""

    known: frozenset[str] = frozenset()

    def see(self, listing: Listing, now: float) -> list[Note]:
        raws = frozenset(seen.path for seen in listing.raws)
        has_new, self.known = bool(raws - self.known), raws
        return super().see(listing, now, has_new_raw=has_new)


def test_a_jpeg_with_its_raw_is_silent_in_either_order_and_any_folder() -> None:
    companions = Companions()
    assert companions.see(listing(), 0) == []
    assert companions.see(listing(pictures=("F1.jpg",)), 1) == []
    assert companions.see(listing("F1.dng", pictures=("F1.jpg",)), 5) == []
    assert companions.see(listing("F1.dng", "raw/f2.dng", pictures=("jpg/F2.JPG",)), 6) == []
    assert companions.move_on(100) == []


def test_jpegs_alone_are_called_out_once_after_five_seconds() -> None:
    companions = Companions()
    pictures = ("F1.jpg", "F10.jpg", "F2.jpg")
    companions.see(listing(), 0)
    assert companions.see(listing(pictures=pictures), 1) == []
    assert companions.next_due() == 6
    (told,) = companions.move_on(6)
    assert told.text == "F1.jpg: JPEGs only, no raw"
    companions.see(listing(pictures=(*pictures, "F11.jpg")), 7)
    assert companions.move_on(100) == []


def test_jpegs_alone_are_called_out_again_after_a_raw_has_come() -> None:
    companions = Companions()
    companions.see(listing(), 0)
    companions.see(listing(pictures=("F1.jpg",)), 0)
    assert len(companions.move_on(5)) == 1
    companions.see(listing("F2.dng", pictures=("F1.jpg",)), 6)
    companions.see(listing("F2.dng", pictures=("F1.jpg", "F3.jpg")), 7)
    (told,) = companions.move_on(12)
    assert told.file == "F3.jpg"


def test_old_exports_beside_raw_files_are_silent_but_a_folder_of_only_jpegs_is_not() -> None:
    exports = Companions()
    exports.see(listing("F1.dng", pictures=("export.jpg",)), 0)
    assert exports.move_on(100) == []
    only = Companions()
    only.see(listing(pictures=("F1.jpg",)), 0)
    assert len(only.move_on(5)) == 1


def land(numbering: NumberGaps, *paths: str, now: float = 0) -> None:
    for path in paths:
        numbering.landed(path, now)
    numbering.saw(listing(*paths), now + 1)


def test_a_number_that_is_left_out_is_called_after_ten_seconds() -> None:
    numbering = NumberGaps()
    land(numbering, "F0031.dng", "F0033.dng", now=3)
    assert numbering.move_on(12.9) == []
    assert numbering.next_due() == 13
    (told,) = numbering.move_on(13)
    assert told.text == "F0032: never came"
    assert numbering.move_on(100) == []


def test_a_late_frame_and_one_that_lies_there_are_not_missed() -> None:
    numbering = NumberGaps()
    land(numbering, "F0031.dng", "F0033.dng")
    land(numbering, "F0032.dng", now=9)
    for path in ("F0034.dng", "F0036.dng"):
        numbering.landed(path, 11)
    assert numbering.move_on(100) == []  # until the whole folder was looked through
    assert numbering.next_due() is None
    numbering.saw(listing("F0034.dng", "F0036.dng", pictures=("f0035.jpg",)), 100)
    assert numbering.move_on(100) == []


def test_another_series_a_new_count_and_a_great_leap_are_no_gap() -> None:
    numbering = NumberGaps()
    land(numbering, "F9998.dng", "F9999.dng", "F0001.dng", "F0002.dng")
    land(numbering, "G0500.dng", "day/F0700.dng", "F0900.dng", "portrait.dng")
    assert numbering.move_on(100) == []


def test_a_gap_is_called_once_however_many_numbers_it_has() -> None:
    numbering = NumberGaps()
    land(numbering, "F0008.dng", "F0012.dng", "F0014.dng")
    told = numbering.move_on(50)
    assert [one.text for one in told] == ["F0009 to F0011: never came", "F0013: never came"]


def told_of(backlog: BacklogNotes, *left: int) -> list[str]:
    notes = [note for now, count in enumerate(left) for note in backlog.see(count, float(now))]
    return [note.text.partition("there already: ")[2] for note in notes]


def test_a_backlog_is_told_at_each_tenth_and_at_its_end() -> None:
    backlog = BacklogNotes("shoot", flood=50)
    assert [note.text for note in backlog.found(200)] == [
        "shoot: frames are there already: 200 to judge"
    ]
    assert told_of(backlog, 199, 181, 180, 175, 100, 1, 0, 0) == [
        "180 of 200 still to judge",
        "100 of 200 still to judge",
        "1 of 200 still to judge",
        "all 200 judged",
    ]


def test_a_short_backlog_is_told_once_and_a_flood_that_follows_again() -> None:
    backlog = BacklogNotes("shoot", flood=50)
    assert len(backlog.found(60)) == 1
    assert told_of(backlog, 30, 0) == []
    assert told_of(backlog, 50) == []
    assert told_of(backlog, 51, 20) == ["51 to judge"]
    assert backlog.found(0) == []
