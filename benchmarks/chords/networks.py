"""Networks of ``emission.json``'s form, trained side by side: one for each seed and each set of tunes that it may learn from.

What is minimised is the surprise at the written roots and thirds, beat by beat. Weights decay, hidden units and whole rings
are dropped at random, and the mean of the last weights is kept. Side by side, because the recurrent part's many small steps
then cost hardly more than one network's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from collection import Example
from torch import nn

from underbow.tune.harmony.emission import NEAR, PLACES, places_of
from underbow.tune.harmony.model import CHORDS
from underbow.tune.harmony.units import GRID, RINGS

HIDDEN, GATES, EPOCHS, STEPS, RATE, DECAY = 20, 20, 45, 18, 4e-3, 1e-2
DROPPED, RINGS_DROPPED, MEAN = 0.5, 0.2, 0.98
KINDS = len(RINGS) + GRID
KEPT = [*(RINGS.index(ring) for ring in NEAR), *range(len(RINGS), KINDS)]  # what the recurrent part sees
INPUTS = len(KEPT) * 12 + PLACES
TURNED = torch.tensor((np.arange(12)[:, None] - np.arange(12)[None, :]) % 12)


@dataclass(frozen=True)
class Heard:
    """A tune as the networks hear it: shapes (n, kinds, 12), (n, places), and the beats of each chord, (n, 24)."""

    seen: torch.Tensor
    places: torch.Tensor
    truth: torch.Tensor


def scale_of(examples: Sequence[Example]) -> np.ndarray:
    """How much each ring varies over all tunes."""
    return np.concatenate([np.concatenate([e.seen.rings, e.seen.grid], 1) for e in examples]).std((0, 2)) + 1e-3


def hear(example: Example, scale: np.ndarray) -> Heard:
    """Lay a tune out; its rings are scaled to about one."""
    truth = np.zeros((len(example.seen.units), CHORDS))
    for unit, chord in example.beats:
        truth[unit, chord] += 1
    seen = np.concatenate([example.seen.rings, example.seen.grid], 1) / scale[:, None]
    rows = (seen, places_of(example.seen.units, example.tune.key.mode), truth)
    return Heard(*(torch.tensor(row, dtype=torch.float32) for row in rows))


class Networks(nn.Module):
    """What :class:`underbow.tune.harmony.emission.Emission` runs, several at once, in a form that can be trained."""

    def __init__(self, seeds: Sequence[int]) -> None:
        super().__init__()
        makers = [torch.Generator().manual_seed(seed) for seed in seeds]
        self.rngs = [np.random.default_rng(seed) for seed in seeds]

        def normal(*shape: int, size: float) -> nn.Parameter:
            return nn.Parameter(torch.stack([torch.randn(shape, generator=maker) * size for maker in makers]))

        def even(*shape: int, inputs: int) -> nn.Parameter:
            rows = [(2 * torch.rand(shape, generator=maker) - 1) * inputs**-0.5 for maker in makers]
            return nn.Parameter(torch.stack(rows))

        def none(*shape: int) -> nn.Parameter:
            return nn.Parameter(torch.zeros(len(seeds), *shape))

        self.tones, self.third = normal(KINDS, 12, HIDDEN, size=0.05), normal(HIDDEN, 2, size=0.2)
        self.places, self.hidden, self.chords = none(PLACES, 12, HIDDEN), none(12, HIDDEN), none(CHORDS)
        self.before, self.before_bias = even(INPUTS, GATES, inputs=INPUTS), even(1, GATES, inputs=INPUTS)
        self.input, self.input_bias = even(2, GATES, 3 * GATES, inputs=GATES), even(2, 3 * GATES, inputs=GATES)
        self.state, self.state_bias = even(2, GATES, 3 * GATES, inputs=GATES), even(2, 3 * GATES, inputs=GATES)
        self.after, self.after_bias = even(2 * GATES, CHORDS, inputs=2 * GATES), even(CHORDS, inputs=2 * GATES)
        self.shifts, self.shifts_bias = even(2 * GATES, HIDDEN, inputs=2 * GATES), even(HIDDEN, inputs=2 * GATES)

    def forward(self, tunes: Sequence[Heard], wanted: np.ndarray) -> list[torch.Tensor]:
        """For each network the logarithms of the chords' probabilities, the tunes that it wants end to end.

        ``wanted`` says which ones, shape (networks, tunes).
        """
        along = self._along(tunes)
        out = []
        for n, row in enumerate(wanted):
            some = [tune for tune, want in zip(tunes, row, strict=True) if want]
            ran = torch.cat([along[n][i, : len(tune.seen)] for i, tune in enumerate(tunes) if row[i]])
            seen = torch.cat([tune.seen for tune in some])
            seen = seen * self._kept(n, (len(seen), KINDS, 1), RINGS_DROPPED)
            ran = ran * self._kept(n, ran.shape, DROPPED)
            weights = torch.cat([self.tones[n][:, TURNED].flatten(0, 1).flatten(1), self.places[n].flatten(1)])
            inputs = torch.cat([seen.flatten(1), torch.cat([tune.places for tune in some])], 1)
            hidden = (inputs @ weights).reshape(-1, 12, HIDDEN) + self.hidden[n]
            hidden = torch.relu(hidden + (ran @ self.shifts[n] + self.shifts_bias[n])[:, None])
            by_root = (hidden * self._kept(n, hidden.shape, DROPPED)) @ self.third[n]
            scores = by_root.flatten(1) + self.chords[n] + ran @ self.after[n] + self.after_bias[n]
            out.append(torch.log_softmax(scores, -1))
        return out

    def _along(self, tunes: Sequence[Heard]) -> torch.Tensor:
        """Run over all tunes in both directions at once: shape (networks, tunes, longest, 2 * gates)."""
        count, sizes = len(self.tones), torch.tensor([len(tune.seen) for tune in tunes])
        near = [torch.cat([tune.seen[:, KEPT].flatten(1), tune.places], 1) for tune in tunes]
        rows = nn.utils.rnn.pad_sequence(near)  # longest, tunes, inputs
        inputs = torch.stack([rows * self._kept(n, rows.shape, RINGS_DROPPED) for n in range(count)])
        inputs = torch.relu(inputs.flatten(1, 2) @ self.before + self.before_bias).reshape(*inputs.shape[:3], GATES)
        steps = torch.arange(len(rows))[:, None]
        back = torch.where(steps < sizes, sizes - 1 - steps, steps)[..., None].expand_as(inputs)
        both = torch.stack([inputs, inputs.gather(1, back)], 1)  # networks, ways, longest, tunes, gates
        given = both.reshape(2 * count, -1, GATES) @ self.input.flatten(0, 1)
        given = given + self.input_bias.reshape(2 * count, 1, -1)
        given = given.reshape(2 * count, len(rows), len(tunes), -1)
        weights, bias = self.state.flatten(0, 1), self.state_bias.reshape(2 * count, 1, -1)
        now, ran = torch.zeros(2 * count, len(tunes), GATES), []
        for here in given.unbind(1):
            before = torch.baddbmm(bias, now, weights)
            keep, update = torch.sigmoid(here[..., : 2 * GATES] + before[..., : 2 * GATES]).chunk(2, 2)
            fresh = torch.tanh(here[..., 2 * GATES :] + keep * before[..., 2 * GATES :])
            now = torch.lerp(fresh, now, update)
            ran.append(now)
        on, returned = torch.stack(ran, 1).unflatten(0, (count, 2)).unbind(1)
        return torch.cat([on, returned.gather(1, back)], 3).transpose(1, 2)

    def _kept(self, network: int, shape: Sequence[int], dropped: float) -> torch.Tensor:
        """What is left of a network's values while it is trained: a share is dropped, and the others make up for it."""
        if not self.training:
            return torch.ones(1)
        bytes_ = self.rngs[network].bytes(int(np.prod(shape)))
        kept = np.frombuffer(bytes_, np.uint8).reshape(shape) >= int(256 * dropped)
        return torch.from_numpy(kept.astype(np.float32) / (1 - dropped))


def trained(tunes: Sequence[Heard], wanted: np.ndarray, seeds: Sequence[int]) -> Networks:
    """Train a network for each row of ``wanted``, shape (networks, tunes), on the tunes that it says.

    The same tunes, row and seed give the same network on the same machine, but for rounding whatever is trained beside it.
    """
    networks = Networks(seeds).train()
    rng = np.random.default_rng(seeds)  # the tunes' order
    parameters = list(networks.parameters())
    means = [parameter.detach().clone() for parameter in parameters]
    optimiser = torch.optim.AdamW(parameters, lr=RATE, weight_decay=DECAY)
    rates = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, total_steps=EPOCHS * STEPS, pct_start=0.15)
    size = -(-len(tunes) // STEPS)
    for _ in range(EPOCHS):
        order = sorted(rng.permutation(len(tunes)), key=lambda i: len(tunes[i].seen) + 8 * rng.normal())
        for start in rng.permutation(STEPS) * size:
            these = order[start : start + size]
            loss = torch.zeros(())
            said = networks([tunes[i] for i in these], wanted[:, these])
            for n, scores in enumerate(said):
                some = [i for i in these if wanted[n, i]]
                truth = torch.cat([tunes[i].truth for i in some])
                loss = loss - (truth * scores).sum() / truth.sum()
            optimiser.zero_grad()
            loss.backward()
            _clip(parameters)
            optimiser.step()
            rates.step()
            torch._foreach_lerp_(means, [parameter.detach() for parameter in parameters], 1 - MEAN)
    with torch.no_grad():
        for parameter, mean in zip(parameters, means, strict=True):
            parameter.copy_(mean)
    return networks.eval()


def _clip(parameters: Sequence[nn.Parameter]) -> None:
    """Hold each network's gradient down to a length of 1."""
    rows = [parameter.grad for parameter in parameters if parameter.grad is not None]
    length = torch.stack([row.flatten(1).square().sum(1) for row in rows]).sum(0).sqrt()
    for row in rows:
        row.mul_((1 / (length + 1e-6)).clamp(max=1).reshape(-1, *[1] * (row.dim() - 1)))
