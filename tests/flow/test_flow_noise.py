"""The noise of the flow by band, against closed forms and a reference library."""

import numpy as np
import pytest
from scipy.signal import lfilter, welch

from acquire.flow.noise import noise_bands


def record(seconds: float, rate_hz: float, values: np.ndarray) -> tuple[list[int], list[float]]:
    t_us = (np.arange(round(seconds * rate_hz)) * 1e6 / rate_hz).astype(int)
    return t_us.tolist(), (1e-3 * (1 + values)).tolist()


def ar1(n: int, f: float, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    shocks = rng.standard_normal(n) * np.sqrt(1 - f * f)
    return np.asarray(lfilter([1.0], [1.0, -f], shocks))


def test_bands_of_first_order_noise_are_those_of_its_known_spectrum() -> None:
    # one-sided density of AR(1): 2 s^2 dt (1 - f^2) / (1 + f^2 - 2 f cos(2 pi nu dt)), Box & Jenkins (1970)
    rate, theta, sd = 200.0, 0.1, 0.004
    f = np.exp(-1 / (rate * theta))
    bands = noise_bands(*record(400, rate, sd * ar1(80_000, float(f), 1)))
    assert [b.low_hz for b in bands] == [0.25, 0.5, 1, 2, 4, 8, 16, 32, 64]
    for band in bands:
        nu = np.linspace(band.low_hz, min(band.high_hz, rate / 2), 2001)
        density = 2 * sd**2 / rate * (1 - f * f) / (1 + f * f - 2 * f * np.cos(2 * np.pi * nu / rate))
        assert band.sd_rel == pytest.approx(np.sqrt(np.trapezoid(density, nu)), rel=0.25)
    assert np.sqrt(sum(b.sd_rel**2 for b in bands)) == pytest.approx(sd, rel=0.15)


def test_the_spectrum_is_that_of_the_reference_library() -> None:
    # scipy.signal.welch with the same pieces, window, detrending and median
    values = 0.01 * ar1(1000, 0.8, 2)
    size = 250
    nu, density = welch(
        1 + values, 100.0, window="hann", nperseg=size, noverlap=size - size // 2, detrend="linear", average="median"
    )
    for band in noise_bands(*record(10, 100.0, values)):
        inside = (nu >= band.low_hz) & (nu < band.high_hz)
        assert band.sd_rel == pytest.approx(np.sqrt(density[inside].sum() * nu[1]), rel=0.02)


def test_a_sine_lies_in_its_own_band_with_about_its_own_size() -> None:
    t = np.arange(1000) / 100.0
    sine = 0.005 * np.sqrt(2) * np.sin(2 * np.pi * 5.6 * t)
    bands = {b.low_hz: b.sd_rel for b in noise_bands(*record(10, 100.0, sine))}
    # what takes the bias out of a median of noise puts 15 % on a steady line: 1 / sqrt(0.7595)
    assert bands[4.0] == pytest.approx(0.005 * 1.1474, rel=0.02)
    assert max(sd for low, sd in bands.items() if low != 4.0) < 0.0005


def test_spikes_gaps_and_a_slow_approach_hardly_show() -> None:
    rng = np.random.default_rng(3)
    quiet = 0.002 * rng.standard_normal(1000)
    t_us, clean = record(10, 100.0, quiet)
    troubled = quiet + 0.02 * np.exp(-np.arange(1000) / 80.0)
    troubled[300], troubled[620] = 0.3, -1.0
    _, values = record(10, 100.0, troubled)
    kept = [i for i in range(1000) if not 450 <= i < 500]
    shown = noise_bands([t_us[i] for i in kept], [values[i] for i in kept])
    for band, same in zip(shown, noise_bands(t_us, clean), strict=True):
        assert band.sd_rel == pytest.approx(same.sd_rel, rel=0.5, abs=1e-4)


@pytest.mark.parametrize("n", [0, 1, 31])
def test_too_few_samples_have_no_bands(n: int) -> None:
    assert noise_bands(list(range(n)), [1.0] * n) == ()


def test_a_slow_indicator_has_only_the_bands_that_it_can_show() -> None:
    bands = noise_bands(*record(10, 10.0, 0.001 * ar1(100, 0.3, 4)))
    assert bands
    assert bands[-1].high_hz <= 8.0


@pytest.mark.parametrize("rate_hz", [50.0, 60.0, 80.0, 120.0])
def test_samples_stamped_on_a_common_beat_show_a_line_in_its_own_band_alone(rate_hz: float) -> None:
    sent_s = np.arange(round(8 * rate_hz)) / rate_hz + 0.003
    noise = np.random.default_rng(1).standard_normal(sent_s.size)
    values = 0.01 * np.sqrt(2) * np.sin(2 * np.pi * 20 * sent_s) + 0.001 * noise
    t_us = (np.ceil(sent_s / 0.02) * 20_000).astype(int).tolist()
    bands = {b.low_hz: b.sd_rel for b in noise_bands(t_us, (1e-3 * (1 + values)).tolist())}
    assert bands[16] == pytest.approx(0.0115, rel=0.05)
    assert all(bands[low] < 0.0008 for low in (1, 2, 4, 8))


def test_samples_that_share_the_stamp_of_their_read_show_the_same_noise() -> None:
    values = 0.004 * ar1(2000, 0.9, 5)
    t_us, flow = record(20, 100.0, values)
    # what a bench that runs faster than life, or a port read in bursts, gives: five samples with the stamp of the last
    burst = [t_us[min(i - i % 5 + 4, len(t_us) - 1)] for i in range(len(t_us))]
    for seen, sent in zip(noise_bands(burst, flow), noise_bands(t_us, flow), strict=True):
        assert (seen.low_hz, seen.high_hz) == (sent.low_hz, sent.high_hz)
        assert seen.sd_rel == pytest.approx(sent.sd_rel, rel=0.05)
