// Random numbers by seed: one stream for each pair (seed, block).
//
// Bits and rectangular numbers are the same on every machine; normal ones but for the
// last digits of the C library's exp and log.
//
// Generator: xoshiro256++ (Blackman and Vigna, ACM TOMS 47 (2021); public domain reference code), its state filled by
// splitmix64 from seed and block. Normal numbers: the ziggurat of Marsaglia and Tsang (J. Stat. Softw. 5 (2000) 8)
// with 256 layers and 53 random bits. Constants from memory, checked by tests (the reference code's first outputs; the
// distribution of the numbers).
#pragma once

#include <array>
#include <bit>
#include <cmath>
#include <cstdint>
#include <numbers>

namespace nightwell::uncertainty {

class RandomStream {
 public:
  RandomStream(std::uint64_t seed, std::uint64_t block) {
    std::uint64_t state = mix(seed) ^ (block * 0x9e3779b97f4a7c15U);
    for (auto& word : state_) word = mix(state += 0x9e3779b97f4a7c15U);
  }
  explicit RandomStream(const std::array<std::uint64_t, 4>& state) : state_(state) {}  // not all zero

  std::uint64_t bits() {
    const std::uint64_t out = std::rotl(state_[0] + state_[3], 23) + state_[0];
    const std::uint64_t shifted = state_[1] << 17;
    state_[2] ^= state_[0];
    state_[3] ^= state_[1];
    state_[1] ^= state_[2];
    state_[0] ^= state_[3];
    state_[2] ^= shifted;
    state_[3] = std::rotl(state_[3], 45);
    return out;
  }

  // Above 0 and at most 1, in steps of 2^-53: its logarithm is finite.
  double unit() { return static_cast<double>((bits() >> 11) + 1) * 0x1p-53; }

  // Between -1 and 1, symmetrical, in steps of 2^-52; neither end occurs.
  double symmetric() { return symmetric_of(bits()); }

 private:
  friend class NormalSource;

  static double symmetric_of(std::uint64_t bits) {
    return (static_cast<double>(static_cast<std::int64_t>(bits) >> 11) + 0.5) * 0x1p-52;
  }
  static std::uint64_t mix(std::uint64_t z) {  // splitmix64's output function
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9U;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebU;
    return z ^ (z >> 31);
  }

  std::array<std::uint64_t, 4> state_{};
};

// Standard normal numbers: mean 0, standard deviation 1. Holds the ziggurat's tables; make one and keep it.
class NormalSource {
 public:
  NormalSource() {
    const double of_last = density(last);
    const double area = last * of_last + std::sqrt(std::numbers::pi / 2) * std::erfc(last / std::numbers::sqrt2);
    edge_[0] = area / of_last;
    edge_[1] = last;
    for (std::size_t i = 2; i < layers; ++i)
      edge_[i] = std::sqrt(-2 * std::log(area / edge_[i - 1] + density(edge_[i - 1])));
    edge_[layers] = 0;
    for (std::size_t i = 0; i <= layers; ++i) height_[i] = density(edge_[i]);
  }

  double draw(RandomStream& stream) const {
    while (true) {
      const std::uint64_t bits = stream.bits();
      const auto layer = static_cast<std::size_t>(bits & (layers - 1));  // the number below uses the other bits
      const double x = RandomStream::symmetric_of(bits) * edge_[layer];
      if (std::abs(x) < edge_[layer + 1]) return x;
      if (layer == 0) return std::copysign(beyond_last(stream), x);
      if (height_[layer] + (height_[layer + 1] - height_[layer]) * stream.unit() < density(x)) return x;
    }
  }

 private:
  static constexpr std::size_t layers = 256;
  static constexpr double last = 3.6541528853610088;  // where the tail begins, for 256 layers of equal area

  static double density(double x) { return std::exp(-x * x / 2); }  // not normalised

  static double beyond_last(RandomStream& stream) {
    while (true) {
      const double x = -std::log(stream.unit()) / last, y = -std::log(stream.unit());
      if (2 * y > x * x) return last + x;
    }
  }

  std::array<double, layers + 1> edge_{}, height_{};
};

}  // namespace nightwell::uncertainty
