// When a follower is owed a line of the relay's own: a head every 60 s, once there is one, and a sign of life where nothing else was
// sent for 15 s. A value; time comes from outside.
#pragma once

#include <algorithm>
#include <chrono>
#include <optional>

namespace nightwell::relay {

class Pace {
 public:
  using Time = std::chrono::steady_clock::time_point;
  static constexpr std::chrono::seconds between_heads{60}, between_signs{15};

  explicit Pace(Time now) : sent_(now), head_(now) {}

  void sent_records(Time now) {
    has_head_ = true;
    sent_ = now;
  }
  void sent_head(Time now) { sent_ = head_ = now; }
  void sent_sign(Time now) { sent_ = now; }

  enum class Due { nothing, head, sign };
  [[nodiscard]] Due due(Time now) const {
    if (has_head_ && now >= head_ + between_heads) return Due::head;
    return now >= sent_ + between_signs ? Due::sign : Due::nothing;
  }
  // When something is due, if nothing is sent until then.
  [[nodiscard]] Time next() const {
    const Time sign = sent_ + between_signs;
    return has_head_ ? std::min(sign, head_ + between_heads) : sign;
  }
  // Whether there is a record that a head could tell of.
  [[nodiscard]] bool has_head() const { return has_head_; }

 private:
  Time sent_, head_;
  bool has_head_ = false;
};

}  // namespace nightwell::relay
