"""The daemon's heart: reads the ports, runs the pull, keeps the record.

One thread owns the pull and the archive's writer. Drivers' threads and API
threads reach it through one queue, so that what is recorded has one order,
and replay can repeat it.
"""

import logging
import math
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from acquire import __version__
from acquire.basis import Basis
from acquire.bench_records import BenchRecord
from acquire.budget.propagation import prepare as prepare_budgets
from acquire.calibration.in_force import calibrations_in_force
from acquire.calibration.record import Calibration
from acquire.calibration.words import overdue
from acquire.clock import Clock
from acquire.config import BenchConfig
from acquire.daemon.entries import number_typed
from acquire.daemon.frames import AlwaysThere, FrameMaker, nothing_shown, stood_still
from acquire.daemon.inbox import Inbox, Work
from acquire.daemon.recorder import Recorder
from acquire.leakage.run import fit_law
from acquire.pull.batch import Batch
from acquire.pull.core import PullCore
from acquire.pull.outputs import Ended, Marked, Moved, Output, Skipped, Taken, ZerosRead
from acquire.pull.resuming import STATE, resumed_state
from acquire.ready.record import Readiness, last_ready
from acquire.records import (
    Action,
    BenchSummary,
    Entered,
    Entry,
    EventKind,
    Frame,
    Guide,
    LeakageLaw,
    LiveEvent,
    PullRequest,
    Refused,
    Template,
)
from acquire.room.entry import RoomEntry, age_of_entry_s
from acquire.room.words import daemon_lines
from acquire.stabiliser.prepare import prepare as prepare_judgement
from acquire.store.archive import Archive, ArchiveError
from acquire.store.reader import ArchiveReader
from acquire.values import Point
from drivers.reader import PortReader
from drivers.sample import Notice, Press, Sample
from drivers.together import BEAT_S, Together
from drivers.typed import Typed

log = logging.getLogger(__name__)
# how long samples may gather: the judgement goes by tenths of a second; and at least, where those pass faster
_TICK_S, _LEAST_TICK_S = 0.1, 0.05
# of the machine, as are the two below: no more can be done at once without looking at the record and at who asks
_TURN_S = 0.05
# a frame is made when somebody asks for it; those who ask within so much share one
_SHARED_S = 0.03
# and now and then without, so that none is ever old and the trend is known
_UNASKED_S = 0.25
_FRAME_WAIT_S = 0.05
_LATE_S = 3.0
# from so many on, samples cost less together
_BATCH = 256
_ANSWER_S = 10.0


class Engine:
    """Everything behind the local API; runs without a screen.

    ``loaded`` is called, in a thread of its own, once all is there that a pull needs.
    """

    def __init__(
        self,
        config: BenchConfig,
        config_text: str,
        archive_path: Path,
        clock: Clock,
        loaded: Callable[[], None] = lambda: None,
    ) -> None:
        self.config = config
        self.archive_path = archive_path
        self._config_text = config_text
        self._clock = clock
        self._loaded = loaded
        instruments = config.make_instruments()
        # by the machine's seconds, as below
        speed = getattr(clock, "speed", 1.0)
        self._tick_s = max(_TICK_S / speed, _LEAST_TICK_S)
        together = Together(clock, BEAT_S / speed)
        self._inbox = Inbox(self._use, self._lose, together.use)
        self._readers = [
            PortReader(instrument, clock, self._on_samples, self._on_press, self._on_notice, together)
            for instrument in instruments
            if not isinstance(instrument, Typed)
        ]
        typed = [instrument for instrument in instruments if isinstance(instrument, Typed)]
        self._typed = {channel: instrument for instrument in typed for channel in instrument.settings.channels}
        self._sources = {
            channel: instrument.settings.said_source
            for instrument in instruments
            for channel in instrument.settings.channels
        }
        self._frames = FrameMaker(config, [*self._readers, *map(AlwaysThere, typed)])
        self._latest: dict[str, Sample] = {}
        self._listeners: list[Callable[[LiveEvent], None]] = []
        self._event_number = 0
        self._core: PullCore | None = None
        self._recorder: Recorder | None = None
        self._pull_id: int | None = None
        self._announced: tuple[int, Point] | None = None
        self._said_failure = ""
        # the pull was paused because its record could not be written, not by the operator
        self._held = False
        self._fault = ""
        self._thread: threading.Thread | None = None
        self._archive: Archive
        self._frame = nothing_shown(config.reference.convention)
        self._frame_us = 0
        # why the last frame could not be made
        self._frame_fault = ""
        self._asking = threading.Lock()
        self._made = threading.Event()
        self._made.set()
        # the last one that was asked for did not come in time, and has not come yet
        self._in_vain = False
        # by the machine's seconds: a disk is no faster where a simulated bench is
        machine_us = 1e6 * speed
        self._late_us, self._shared_us = round(_LATE_S * machine_us), round(_SHARED_S * machine_us)
        self._turn_us, self._unasked_us = round(_TURN_S * machine_us), round(_UNASKED_S * machine_us)

    # ------------------------------------------------------------ life

    def start(self) -> None:
        """Open the archive and the ports. Raises ``ArchiveError``, or the fault that keeps it from starting."""
        opened: Future[None] = Future()
        self._thread = threading.Thread(target=self._run, args=(opened,), name="engine")
        self._thread.start()
        try:
            opened.result()
        except Exception:
            self._thread.join()
            self._thread = None
            raise
        for reader in self._readers:
            reader.start()

    def stop(self) -> None:
        """Close the ports, keep what was recorded, close the archive."""
        for reader in self._readers:
            reader.stop()
        if self._thread is not None:
            self._inbox.close()
            self._thread.join()
            self._thread = None

    def _run(self, opened: "Future[None]") -> None:
        try:
            self._archive = Archive.open(self.archive_path)
            try:
                self._show_calibrated()
            except Exception:
                self._archive.close()
                raise
        except Exception as error:  # whatever it is: who waits for the start is told
            opened.set_exception(error)
            return
        self._make_frame(self._clock.t_us())
        opened.set_result(None)
        # what the first judgement and budget need takes a while to load: not while a point waits for it
        threading.Thread(target=self._load, name="load", daemon=True).start()
        while self._turn():
            pass
        self._close_session()
        self._archive.close()

    def _load(self) -> None:
        prepare_judgement()
        prepare_budgets()
        self._loaded()

    def _turn(self) -> bool:
        """Do the work that waits, keep the record, make a frame if nobody has asked for a while."""
        try:
            work = self._inbox.get(self._tick_s)
            begun_us = self._clock.t_us()
            while work is not None:
                self._do(work)
                # more than can be done at once must not keep the record and the screens waiting
                if self._clock.t_us() - begun_us >= self._turn_us:
                    break
                work = self._inbox.get()
            else:
                return False
        except queue.Empty:
            pass
        recorder = self._recorder
        if recorder is not None:
            self._do(recorder.flush_if_due)
            self._do(lambda: self._say_failure(recorder))
        now_us = self._clock.t_us()
        if now_us - self._frame_us >= self._unasked_us:
            self._make_frame(now_us)
        return True

    def _do(self, work: Work) -> None:
        """A fault of our own is said and logged: the ports and the record go on."""
        try:
            work()
        except Exception as error:
            log.exception("the engine's thread met a fault")
            self._fault = f"steadydraw has a fault ({error!r}): abort the pull, what was taken is kept; see the log."
            self._tell("notice", self._fault)

    def _make_frame(self, now_us: int) -> None:
        failure = self._recorder.failure if self._recorder is not None else ""
        failure = failure or self._fault
        self._frame_us = now_us
        try:
            self._frame = self._frames.frame(now_us, self._latest, self._core, self._pull_id, self._announced, failure)
            self._frame_fault = ""
        except Exception as error:
            # screens are not worth the record, which goes on
            if self._frame_fault != repr(error):
                self._frame_fault = repr(error)
                log.exception("what screens show cannot be made")
            said = f"The screens stand still: steadydraw has a fault ({error!r}). Recording goes on; see the log."
            self._frame = stood_still(self._frame, now_us, failure or said)

    def _make_asked(self) -> None:
        try:
            self._make_frame(self._clock.t_us())
        finally:
            self._in_vain = False
            self._made.set()

    # ------------------------------------------------------------ from the drivers' threads

    def _on_samples(self, samples: list[Sample]) -> None:
        self._inbox.put_samples(samples)

    def _on_press(self, press: Press) -> None:
        self._inbox.put(lambda: self._use_press(press))

    def _on_notice(self, notice: Notice) -> None:
        self._inbox.put(lambda: self._use_notice(notice))

    # ------------------------------------------------------------ in the engine's thread

    def _use(self, samples: list[Sample]) -> None:
        for sample in samples:
            self._latest[sample.channel] = sample
        if self._core is not None and self._recorder is not None:
            self._recorder.samples(samples)
            many = len(samples) >= _BATCH
            self._handle(self._core.batch(Batch.of(samples)) if many else self._core.samples(samples))

    def _lose(self, t_us: int, count: int) -> None:
        """Samples that came in while the thread was held up for too long."""
        if self._recorder is not None:
            self._recorder.missed(t_us, count)
            self._tell("notice", f"{count} samples were dropped: the disk or this machine was too slow for too long.")

    def _use_press(self, press: Press) -> None:
        try:
            self._act(Action(kind="press", by=press.instrument))
        except Refused as refused:
            self._tell("notice", f"{press.instrument} button: {refused}")

    def _enter(self, entry: Entry) -> Entered:
        its = self._typed.get(entry.channel)
        if its is None:
            typed = f"typed are {', '.join(self._typed)}" if self._typed else "nothing is typed on this bench"
            raise Refused(f"Not used: {entry.channel!r} is not typed; {typed}.")
        settings = its.settings.channels[entry.channel]
        number = number_typed(entry.channel, entry.text, settings, self.config.water)
        if self._core is not None:
            self._core.check_typed(entry.channel, self._frames.si(entry.channel, number))
        t_us = self._clock.t_us()
        by = f" by {entry.by}" if entry.by else ""
        said = f"{entry.channel} typed{by}: {entry.text!r}, read as {number:g} {settings.unit}"
        if self._recorder is not None:
            # the text as it came stands in the record just before its sample
            self._recorder.notice(Notice(its.name, t_us, "typed", said))
        self._use([its.sample(entry.channel, t_us, number)])
        self._tell("action", said)
        return Entered(channel=entry.channel, number=number, unit=settings.unit)

    def _use_notice(self, notice: Notice) -> None:
        if self._recorder is not None:
            self._recorder.notice(notice)
        self._tell("notice", notice.sentence)

    def _act(self, action: Action) -> None:
        core, recorder = self._core, self._recorder
        if core is None or recorder is None:
            raise Refused("No pull is running: begin one first.")
        t_us = self._clock.t_us()
        try:
            outputs = core.act(t_us, action)
        finally:
            # a refused action is part of what happened: it may have moved the pull's time
            recorder.action(t_us, action)
        self._tell("action", action.kind)
        self._handle(outputs)

    def _handle(self, outputs: list[Output]) -> None:
        """Commit what happened; the recorder announces it once it is durable."""
        for output in outputs:
            if self._recorder is not None:
                self._recorder.output(output, lambda output=output: self._announce(output))  # type: ignore[misc]

    def _announce(self, output: Output) -> None:
        if isinstance(output, Taken):
            self._announced = (self._clock.t_us(), output.point)
            self._tell("taken", self._frames.guidance().taken(output.point), output.point)
        elif isinstance(output, ZerosRead):
            self._tell("zeros", f"Zeros read {output.which} the pull.")
        elif isinstance(output, Marked):
            self._tell("mark", output.mark.sentence)
        elif isinstance(output, Moved):
            self._tell("step", output.sentence)
        elif isinstance(output, Skipped):
            self._tell("step", f"Step {output.step + 1} {'skipped' if output.skipped else 'wanted again'}.")
        else:
            self._finish(output)

    def _finish(self, ended: Ended) -> None:
        core, recorder = self._core, self._recorder
        if core is None or recorder is None:
            return
        if core.request.kind == "leakage" and ended.outcome == "complete" and core.points:
            points = [p for p in core.points if p.take == max(q.take for q in core.points if q.step == p.step)]
            law = fit_law(recorder.pull_id, core.request.direction, self._clock.utc().isoformat(), points)
            recorder.then(lambda: self._archive.add_leakage_law(law))
        self._close_session()
        self._tell("ended", f"Pull {ended.outcome}.")
        self._show_calibrated()

    def _close_session(self) -> None:
        recorder, self._recorder = self._recorder, None
        if recorder is not None:
            try:
                recorder.close()
            except ArchiveError as error:
                self._tell("notice", str(error))

    def _say_failure(self, recorder: Recorder) -> None:
        """A record that cannot be written holds the pull until it can; one that is refused for good is said."""
        core = self._core
        while recorder.refused:
            self._tell("notice", f"Not kept: {recorder.refused.pop(0)}. Look at the pull's marks, take its step again.")
        if recorder.failure == self._said_failure or core is None:
            return
        self._said_failure = recorder.failure
        self._tell("notice", recorder.failure or "The archive can be written again: going on.")
        if core.outcome is not None:
            return
        if recorder.failure and not core.paused:
            self._held = True
            self._act(Action(kind="pause", by="archive"))
        elif not recorder.failure and self._held:
            self._held = False
            self._act(Action(kind="go_on", by="archive"))

    def _tell(self, kind: EventKind, sentence: str, point: Point | None = None) -> None:
        self._event_number += 1
        event = LiveEvent(
            number=self._event_number,
            kind=kind,
            t_us=self._clock.t_us(),
            sentence=sentence,
            pull_id=self._pull_id,
            point=point,
        )
        for listener in tuple(self._listeners):
            try:
                listener(event)
            except Exception:  # one that cannot hear is not worth the record, nor the others
                log.exception("telling: %s", sentence)

    def _begin(self, request: PullRequest) -> int:
        self._refuse_if_running()
        utc = self._clock.utc().isoformat()
        leakage = self._leakage_for(request)
        basis = self._basis(request, leakage)
        core = PullCore(self.config, request, leakage, basis=basis)
        pull_id = self._archive.begin_pull(request, self._config_text, __version__, utc, leakage, self._sources, basis)
        self._open(pull_id, core)
        self._tell("began", f"Pull {pull_id} begun: {request.subject.identifier}, {request.direction}.")
        return pull_id

    def _resume(self, pull_id: int) -> None:
        self._refuse_if_running()
        with ArchiveReader(self.archive_path) as reader:
            pull = reader.pull(pull_id)
        if pull.outcome is not None:
            raise Refused(f"Pull {pull_id} has ended ({pull.outcome}): begin another one.")
        self._open(pull_id, PullCore(self.config, pull.request, pull.leakage, resumed_state(pull), pull.basis))
        self._tell("began", f"Pull {pull_id} goes on.")

    def _open(self, pull_id: int, core: PullCore) -> None:
        state = STATE.dump_json(core.state()).decode()
        utc = self._clock.utc().isoformat()
        session_id = self._archive.open_session(
            pull_id, utc, __version__, self._config_text, state, t_us=self._clock.t_us()
        )
        self._core, self._pull_id, self._announced = core, pull_id, None
        self._said_failure, self._held, self._fault = "", False, ""
        self._show_calibrated()
        self._recorder = Recorder(self._archive, pull_id, session_id, self._clock)
        # slow channels may not speak again for a while: what is known now belongs to the record
        # (what was typed before is no reading of this pull)
        known = sorted(
            (sample for channel, sample in self._latest.items() if channel not in self._typed),
            key=lambda sample: sample.t_us,
        )
        self._recorder.samples(known)
        self._handle(core.samples(known))

    def _show_calibrated(self) -> None:
        """A running pull's values are shown as it reads them, else by the newest calibrations."""
        if self._core is not None and self._core.outcome is None:
            self._frames.use(self._core.basis.calibrations)
            return
        with ArchiveReader(self.archive_path) as reader:
            kept = calibrations_in_force(reader, self.config)
        self._frames.use({channel: its.record for channel, its in kept.items()})

    def _refuse_if_running(self) -> None:
        if self._core is not None and self._core.outcome is None:
            raise Refused(f"Pull {self._pull_id} is still running: finish or abort it first.")

    def _leakage_for(self, request: PullRequest) -> LeakageLaw | None:
        if request.kind == "leakage":
            return None
        with ArchiveReader(self.archive_path) as reader:
            return reader.leakage_for(
                request.direction, request.setup, self._clock.utc(), self.config.leakage.age_limit_s
            )

    def _basis(self, request: PullRequest, leakage: LeakageLaw | None) -> Basis:
        """What is in force now besides the configuration."""
        now = self._clock.utc()
        with ArchiveReader(self.archive_path) as reader:
            kept = calibrations_in_force(reader, self.config)
            checks = reader.bench_records(Readiness, limit=20)
            air = reader.bench_records(RoomEntry, limit=1)
            old = None
            if leakage is None and request.kind != "leakage":
                old = reader.leakage_for(request.direction, request.setup, self._clock.utc(), math.inf)
        calibrations = {channel: its.record for channel, its in kept.items()}
        return Basis(
            calibrations=calibrations,
            calibration_ids={channel: its.id for channel, its in kept.items()},
            overdue=overdue(calibrations, now.isoformat()),
            response=next((its for check in checks if (its := check.record.learned()) is not None), None),
            ready=last_ready(checks[0].record) if checks else None,
            old_leakage_utc=old.measured_utc if old is not None else "",
            old_leakage_pull=old.pull_id if old is not None else None,
            room=air[0].record if air else None,
            room_age_s=age_of_entry_s(air[0].record.made_utc, now) if air else None,
            # people date by the clock on the wall
            configured_room_age_s=age_of_entry_s(self.config.room.entered, now.astimezone()),
            air_judged=True,
        )

    # ------------------------------------------------------------ for the API's threads

    def frame(self) -> Frame:
        """The bench as it is now. Where the engine's thread is busy the latest there is; an old one says why."""
        if self._clock.t_us() - self._frame_us > self._shared_us:
            self._renew_frame()
        late_us = self._clock.t_us() - self._frame_us
        if late_us < self._late_us:
            return self._frame
        said = f"The disk has not answered for {late_us / 1e6:.0f} s: wait, readings are kept in memory."
        return self._frame.model_copy(update={"guide": Guide(situation="archive_failed", sentence=said)})

    def _renew_frame(self) -> None:
        """Have a frame made; wait for it, but not once more for one that did not come."""
        with self._asking:
            if self._made.is_set():
                self._made.clear()
                self._inbox.put(self._make_asked)
        if not self._in_vain and not self._made.wait(_FRAME_WAIT_S):
            self._in_vain = True

    def subscribe(self, listener: Callable[[LiveEvent], None]) -> Callable[[], None]:
        """Call ``listener`` in the engine's thread for every event; returns the way out."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    def bench(self) -> BenchSummary:
        """What a screen must know of this bench."""
        simulated = any(source.startswith("sim://") for source in self._sources.values())
        return BenchSummary.of(self.config, __version__, simulated)

    def air_lines(self) -> list[str]:
        """What is to be said of room air that no instrument measures."""
        with ArchiveReader(self.archive_path) as reader:
            kept = reader.bench_records(RoomEntry, limit=1)
        return daemon_lines(self.config, tuple(self._sources), kept[0].record if kept else None, self._clock.utc())

    def begin(self, request: PullRequest) -> int:
        """Begin a pull; its number. Raises :class:`Refused`."""
        return int(self._call(lambda: self._begin(request)))

    def resume(self, pull_id: int) -> None:
        """Go on with a pull that was interrupted. Raises :class:`Refused`."""
        self._call(lambda: self._resume(pull_id))

    def act(self, action: Action) -> None:
        """Do what the operator asked. Raises :class:`Refused`."""
        self._call(lambda: self._act(action))

    def enter(self, entry: Entry) -> Entered:
        """Take in what was typed. Raises :class:`Refused`."""
        entered: Entered = self._call(lambda: self._enter(entry))
        return entered

    def keep_record(self, record: BenchRecord) -> int:
        """Keep a record about the bench; its number. Raises :class:`Refused`."""
        return int(self._call(lambda: self._keep(record)))

    def _keep(self, record: BenchRecord) -> int:
        number = self._archive.add_record(record)
        if isinstance(record, Calibration):
            self._show_calibrated()
        return number

    def announce(self, sentence: str) -> None:
        """Tell every client who is in command; never waits."""
        self._inbox.put(lambda: self._tell("command", sentence))

    def save_template(self, template: Template) -> None:
        """Keep a named set-up. Raises :class:`Refused`."""
        self._call(lambda: self._archive.save_template(template))

    def delete_template(self, name: str) -> None:
        """Forget a named set-up. Raises :class:`Refused`."""
        self._call(lambda: self._archive.delete_template(name))

    def _call(self, work: Callable[[], Any]) -> Any:
        answer: Future[Any] = Future()

        def run() -> None:
            try:
                answer.set_result(work())
            except ArchiveError as error:
                answer.set_exception(Refused(str(error)))
            except Exception as error:
                answer.set_exception(error)

        if self._thread is None or not self._thread.is_alive():
            raise Refused("The daemon is stopping.")
        self._inbox.put(run)
        try:
            return answer.result(timeout=_ANSWER_S)
        except TimeoutError as error:
            raise Refused("The disk has not answered yet: wait, what you asked is done as soon as it does.") from error
