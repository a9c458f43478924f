#include "drivers/sim/station.hpp"

#include <algorithm>

namespace nightwell::sim {

Station::Station(std::string name, std::unique_ptr<Instrument> instrument, std::unique_ptr<Manner> manner,
                 std::uint64_t seed, Log log)
    : name_(std::move(name)),
      instrument_(std::move(instrument)),
      manner_(std::move(manner)),
      seed_(seed ^ hash(name_)),
      log_(std::move(log)) {}

Station::Station(std::string name, std::unique_ptr<Instrument> instrument, std::uint64_t seed, Log log)
    : Station(std::move(name), std::move(instrument), make_manner("scpi"), seed, std::move(log)) {}

void Station::receive(std::string_view bytes, double now_s) {
  if (manner_->is_binary()) {
    partial_ += bytes;
    while (auto frame = manner_->take_frame(partial_)) hear(std::move(*frame), now_s);
    return;
  }
  for (char c : bytes) {
    if (c == manner_->message_end()) {
      take_line(now_s);
    } else if (partial_.size() >= scpi::longest_line) {
      overrun_ = true;
    } else {
      partial_ += c;
    }
  }
}

void Station::take_line(double now_s) {
  std::string line = std::exchange(partial_, {});
  if (line.ends_with('\r')) line.pop_back();
  if (std::exchange(overrun_, false)) {
    instrument_->overrun();
    log_(Exchange{now_s, std::move(line), {}, "overrun"});
    return;
  }
  hear(std::move(line), now_s);
}

void Station::hear(std::string line, double now_s) {
  const ActiveFault* silent = active("silent");
  if (silent != nullptr && !silent->order.hears) {
    log_(Exchange{now_s, std::move(line), {}, "silent"});
    count("silent");
    return;
  }
  if (const ActiveFault* exception = active("exception")) {
    Exchange exchange{now_s, line, {}, "exception"};
    send(manner_->refused(line, exception->order.code), exchange);
    count("exception");
    log_(exchange);
    return;
  }
  waiting_.push_back(Waiting{now_s, std::move(line)});
  if (!instrument_->busy()) start_next(now_s);
}

void Station::start_next(double now_s) {
  while (!instrument_->busy() && !waiting_.empty()) {
    current_ = std::move(waiting_.front());
    waiting_.pop_front();
    instrument_->begin(manner_->understood(current_.line, now_s), now_s);
    if (!instrument_->busy()) finish();
  }
}

void Station::finish() {
  Exchange exchange{current_.received_s, std::move(current_.line), {}, {}};
  std::string reply = manner_->said(exchange.line, instrument_->take_reply());
  if (std::exchange(abandoned_, false)) {
    if (reply.ends_with('\n') || reply.ends_with('\r')) reply.pop_back();
    exchange.reply = std::move(reply);
    exchange.remark = "cut";
  } else if (!reply.empty()) {
    send(std::move(reply), exchange);
  }
  log_(exchange);
}

void Station::send(std::string reply, Exchange& exchange) {
  Outgoing out{reply, 0};
  if (reply.ends_with('\n') || reply.ends_with('\r')) reply.pop_back();
  exchange.reply = std::move(reply);
  if (active("silent") != nullptr) {
    exchange.remark = "silent";
    count("silent");
    return;
  }
  if (active("garbage") != nullptr) {
    out.bytes = garbage();
    note("garbage", exchange);
  }
  spoil(out.bytes, exchange);
  if (!exchange.remark.empty()) exchange.reply = out.bytes;
  if (const ActiveFault* delay = active("delay")) {
    out.delay_wall_s = delay->order.delay_wall_s;
    note("delay", exchange);
  }
  if (active("glued") != nullptr) {
    // It comes with the next one.
    kept_back_ += out.bytes;
    note("glued", exchange);
    return;
  }
  out.bytes.insert(0, std::exchange(kept_back_, {}));
  if (const ActiveFault* split = active("split"); split != nullptr && out.bytes.size() > 1) {
    const std::size_t at = 1 + chance() % (out.bytes.size() - 1);
    outgoing_.push_back(Outgoing{out.bytes.substr(0, at), out.delay_wall_s});
    out.bytes.erase(0, at);
    out.delay_wall_s += split->order.delay_wall_s;
    note("split", exchange);
  }
  outgoing_.push_back(std::move(out));
}

// What a bad line does to the bytes of a reply.
void Station::spoil(std::string& bytes, Exchange& exchange) {
  const auto erase = [&](const char* fault, const std::string& part) {
    if (active(fault) == nullptr) return;
    if (const std::size_t at = bytes.find(part); !part.empty() && at != std::string::npos) bytes.erase(at, part.size());
    note(fault, exchange);
  };
  erase("no_echo", manner_->line_echo(exchange.line));
  erase("no_prompt", manner_->line_prompt());
  if (active("byte_loss") != nullptr) {
    if (!bytes.empty()) bytes.erase(chance() % bytes.size(), 1);
    note("byte_loss", exchange);
  }
  if (active("damage") != nullptr) {
    // One bit of one byte, not of the line end: what a checksum is for.
    if (bytes.size() > 2) bytes[chance() % (bytes.size() - 2)] ^= static_cast<char>(1U << (chance() % 5));
    note("damage", exchange);
  }
  if (active("duplicate") != nullptr) {
    bytes += bytes;
    note("duplicate", exchange);
  }
}

void Station::note(const std::string& fault, Exchange& exchange) {
  exchange.remark += (exchange.remark.empty() ? "" : " ") + fault;
  count(fault);
}

std::uint64_t Station::chance() {
  return mix(seed_ ^ ++garbled_);
}

// 1..40 bytes of any value and a line end: what a wrong baud rate or a bad earth looks like.
std::string Station::garbage() {
  std::uint64_t bits = chance();
  std::string out;
  for (std::size_t size = 1 + bits % 40; size > 0; --size) {
    bits = mix(bits);
    out += static_cast<char>(bits & 0xff);
  }
  return out + manner_->message_end();
}

std::optional<double> Station::due_s() const {
  std::optional<double> due;
  if (instrument_->busy()) due = instrument_->due_s();
  for (const ActiveFault& fault : faults_)
    if (fault.until_s && (!due || *fault.until_s < *due)) due = fault.until_s;
  return due;
}

void Station::proceed(double now_s) {
  end_faults(now_s, [&](const ActiveFault& fault) { return fault.until_s && *fault.until_s <= now_s; });
  if (!instrument_->busy() || instrument_->due_s() > now_s) return;
  instrument_->proceed();
  if (instrument_->busy()) return;
  finish();
  start_next(now_s);
}

void Station::begin_fault(const FaultOrder& order, double now_s) {
  if (order.fault == "clear") {
    end_faults(now_s, [&](const ActiveFault& fault) { return !order.channel || fault.order.channel == order.channel; });
    return;
  }
  if (order.fault == "reset") {
    partial_.clear();
    waiting_.clear();
    kept_back_.clear();
    abandoned_ = false;
    instrument_->power_cycle(order, now_s);
    manner_->power_on();
    log_(Exchange{now_s, {}, {}, "reset"});
    return;
  }
  // The same fault again replaces the one before.
  end_faults(now_s, [&](const ActiveFault& fault) {
    return fault.order.fault == order.fault && fault.order.channel == order.channel;
  });
  ActiveFault fault{order, std::nullopt, order.times};
  if (order.for_s) fault.until_s = now_s + *order.for_s;
  faults_.push_back(std::move(fault));
  instrument_->set_fault(order, true, now_s);
}

void Station::end_faults(double now_s, const std::function<bool(const ActiveFault&)>& over) {
  for (auto fault = faults_.begin(); fault != faults_.end();) {
    if (!over(*fault)) {
      ++fault;
      continue;
    }
    const FaultOrder order = fault->order;
    fault = faults_.erase(fault);
    instrument_->set_fault(order, false, now_s);
  }
}

Station::ActiveFault* Station::active(const std::string& fault) {
  const auto found =
      std::find_if(faults_.begin(), faults_.end(), [&](const ActiveFault& one) { return one.order.fault == fault; });
  return found == faults_.end() ? nullptr : &*found;
}

void Station::count(const std::string& fault) {
  ActiveFault* one = active(fault);
  if (one == nullptr || !one->times_left || --*one->times_left > 0) return;
  faults_.erase(faults_.begin() + (one - faults_.data()));
}

bool Station::unplugged() const {
  return std::any_of(faults_.begin(), faults_.end(),
                     [](const ActiveFault& one) { return one.order.fault == "unplug"; });
}

void Station::cut() {
  partial_.clear();
  waiting_.clear();
  outgoing_.clear();
  kept_back_.clear();
  abandoned_ = instrument_->busy();
}

}  // namespace nightwell::sim
