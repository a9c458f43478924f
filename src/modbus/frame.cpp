#include "modbus/frame.hpp"

#include <modbus/modbus.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <memory>
#include <utility>

#include "nightwell/instrument/scpi.hpp"

namespace nightwell::modbus {

namespace {

using dialect::Framing;
using dialect::Table;
using dialect::WriteFunction;

// A context that is fresh counts its first transaction as this.
constexpr std::uint16_t transaction_of_libmodbus = 1;
constexpr std::size_t tcp_header = 7;  // transaction, protocol, length, unit

Error frame_error(Errc code, std::string detail) {
  return Error{code, "", std::move(detail), ""};
}

Error system_fault(const char* what) {
  return frame_error(Errc::unexpected, std::string(what) + ": " + ::modbus_strerror(errno));
}

unsigned byte_at(std::string_view bytes, std::size_t at) {
  return static_cast<unsigned char>(bytes[at]);
}

void put_transaction(std::string& frame, std::uint16_t transaction) {
  if (frame.size() < 2) return;
  frame[0] = static_cast<char>(transaction >> 8U);
  frame[1] = static_cast<char>(transaction & 0xFFU);
}

// Two ends of a stream: libmodbus has one, we the other.
class SocketPair {
 public:
  SocketPair() {
    if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0, ends_.data()) != 0) ends_ = {-1, -1};
  }
  SocketPair(const SocketPair&) = delete;
  SocketPair& operator=(const SocketPair&) = delete;
  ~SocketPair() {
    for (const int end : ends_)
      if (end >= 0) ::close(end);
  }
  // libmodbus waits with select(), which cannot take a descriptor beyond its table.
  [[nodiscard]] bool usable() const { return ends_[0] >= 0 && ends_[0] < FD_SETSIZE; }
  [[nodiscard]] int theirs() const { return ends_[0]; }
  // All that will ever come to their end; it fits: a frame is small, and the buffers are empty.
  bool offer(std::string_view bytes) {
    const bool sent = bytes.empty() ||
                      ::send(ends_[1], bytes.data(), bytes.size(), MSG_NOSIGNAL) == static_cast<ssize_t>(bytes.size());
    return sent && ::shutdown(ends_[1], SHUT_WR) == 0;
  }
  [[nodiscard]] std::string take() const {
    std::array<char, longest_frame> buffer{};
    const ssize_t got = ::read(ends_[1], buffer.data(), buffer.size());
    return std::string(buffer.data(), static_cast<std::size_t>(got > 0 ? got : 0));
  }

 private:
  std::array<int, 2> ends_{-1, -1};
};

struct Free {
  void operator()(modbus_t* context) const { ::modbus_free(context); }
};
using Context = std::unique_ptr<modbus_t, Free>;

// The names of a serial line and a host are never used: no port is opened through libmodbus.
Context context_for(const Peer& peer, int socket) {
  Context context(peer.framing == Framing::rtu ? ::modbus_new_rtu("/dev/null", 9600, 'N', 8, 1)
                                               : ::modbus_new_tcp("127.0.0.1", MODBUS_TCP_DEFAULT_PORT));
  if (!context || ::modbus_set_slave(context.get(), peer.unit) != 0 || ::modbus_set_socket(context.get(), socket) != 0)
    return nullptr;
  // Everything has arrived by the time it looks; should it look for more, it is not to wait.
  if (::modbus_set_response_timeout(context.get(), 0, 1) != 0 || ::modbus_set_byte_timeout(context.get(), 0, 0) != 0)
    return nullptr;
  return context;
}

int read_bits(modbus_t* context, const ReadRequest& read, std::vector<std::uint16_t>& values) {
  std::vector<std::uint8_t> bits(static_cast<std::size_t>(read.count));
  const int got = read.first.table == Table::coil
                      ? ::modbus_read_bits(context, read.first.address, read.count, bits.data())
                      : ::modbus_read_input_bits(context, read.first.address, read.count, bits.data());
  values.assign(bits.begin(), bits.end());
  return got;
}

int read_registers(modbus_t* context, const ReadRequest& read, std::vector<std::uint16_t>& values) {
  values.resize(static_cast<std::size_t>(read.count));
  return read.first.table == Table::input
             ? ::modbus_read_input_registers(context, read.first.address, read.count, values.data())
             : ::modbus_read_registers(context, read.first.address, read.count, values.data());
}

struct Call {
  modbus_t* context;
  std::vector<std::uint16_t>& values;

  int operator()(const ReadRequest& read) const {
    const bool bits = read.first.table == Table::coil || read.first.table == Table::discrete;
    const int got = bits ? read_bits(context, read, values) : read_registers(context, read, values);
    if (got < 0 || got == read.count) return got;
    // Of bits libmodbus gives how many bytes came, in some versions.
    return bits ? read.count : -1;
  }
  int operator()(const WriteRequest& write) const {
    const int first = write.first.address;
    if (write.first.table == Table::coil) return ::modbus_write_bit(context, first, write.values.front() != 0 ? 1 : 0);
    if (write.function == WriteFunction::single) return ::modbus_write_register(context, first, write.values.front());
    return ::modbus_write_registers(context, first, static_cast<int>(write.values.size()), write.values.data());
  }
};

struct Conversation {
  std::string sent;
  int returned = -1;
  int problem = 0;  // errno, where `returned` is negative
  std::vector<std::uint16_t> values;
};

Result<Conversation> converse(const Peer& peer, const Request& request, std::string_view reply) {
  SocketPair pair;
  if (!pair.usable()) return system_fault("making a pair of sockets");
  const Context context = context_for(peer, pair.theirs());
  if (!context) return system_fault("preparing libmodbus");
  if (!pair.offer(reply)) return system_fault("handing a reply to libmodbus");
  Conversation out;
  errno = 0;
  out.returned = std::visit(Call{context.get(), out.values}, request);
  out.problem = errno;
  out.sent = pair.take();
  if (out.sent.empty()) return frame_error(Errc::unexpected, "libmodbus does not make this request");
  return out;
}

// ---- exceptions ----

struct Exception {
  int number;  // errno of libmodbus
  Errc code;
  const char* text;
};

// Names: the specification, section 7. (7 is of older versions.)
constexpr Exception exceptions[] = {
    {EMBXILFUN, Errc::refused,
     "exception 1, illegal function: the device does not know this function; does it want 6 or 16, or another table?"},
    {EMBXILADD, Errc::refused,
     "exception 2, illegal data address: the device has no such register; manuals often count from 1 or print 4xxxx"},
    {EMBXILVAL, Errc::refused, "exception 3, illegal data value: look for the limits at its panel"},
    {EMBXSFAIL, Errc::refused,
     "exception 4, server device failure: look at its panel, and whether it takes remote control"},
    {EMBXACK, Errc::refused, "exception 5, acknowledge: it needs longer than it may; ask again later"},
    {EMBXSBUSY, Errc::refused, "exception 6, server device busy: ask again later; is another master on the line?"},
    {EMBXNACK, Errc::refused, "exception 7, negative acknowledge"},
    {EMBXMEMPAR, Errc::refused, "exception 8, memory parity error: the device needs repair"},
    {EMBXGPATH, Errc::refused, "exception 10, gateway path unavailable: the gateway has no line to this unit"},
    {EMBXGTAR, Errc::no_answer,
     "exception 11, gateway target device failed to respond: is the device behind the gateway on, its unit number "
     "right?"}};

Error judgement(int problem, std::string_view frame) {
  for (const Exception& exception : exceptions)
    if (exception.number == problem)
      return frame_error(exception.code, std::string("the device answers ") + exception.text);
  const std::string shown = "\"" + instrument::printable(frame) + "\"";
  if (problem == EMBBADCRC) return frame_error(Errc::garbled, shown + " has a wrong checksum");
  if (problem == EMBBADSLAVE) return frame_error(Errc::garbled, shown + " comes from another unit");
  if (problem == EMBBADEXC) return frame_error(Errc::garbled, shown + " is an exception that Modbus does not have");
  return frame_error(Errc::garbled, shown + " is no reply to this request");
}

// A write's reply repeats function, address, and value or count.
bool repeats(const std::string& sent, const std::string& reply, std::size_t header) {
  constexpr std::size_t repeated = 5;
  return sent.size() >= header + repeated && reply.size() >= header + repeated &&
         sent.compare(header, repeated, reply, header, repeated) == 0;
}

}  // namespace

Result<std::string> request_frame(const Peer& peer, std::uint16_t transaction, const Request& request) {
  Result<Conversation> done = converse(peer, request, "");
  if (!done) return done.error();
  if (peer.framing == Framing::tcp) put_transaction(done->sent, transaction);
  return std::move(done->sent);
}

Result<std::vector<std::uint16_t>> reply_values(const Peer& peer, std::uint16_t transaction, const Request& request,
                                                std::string_view frame) {
  std::string reply(frame);
  if (peer.framing == Framing::tcp) {
    if (reply.size() < tcp_header + 2) return judgement(EMBBADDATA, frame);
    if ((byte_at(frame, 0) << 8U | byte_at(frame, 1)) != transaction)
      return frame_error(Errc::garbled, "\"" + instrument::printable(frame) + "\" answers another question");
    if (byte_at(frame, 6) != static_cast<unsigned>(peer.unit)) return judgement(EMBBADSLAVE, frame);
    put_transaction(reply, transaction_of_libmodbus);
  }
  Result<Conversation> done = converse(peer, request, reply);
  if (!done) return done.error();
  if (done->returned < 0) return judgement(done->problem, frame);
  // libmodbus 3.1.6 reads no further than the reply goes, and does not compare what a write of one register repeats.
  const bool tcp = peer.framing == Framing::tcp;
  const bool whole = (tcp ? tcp_reply_length(reply) : rtu_reply_length(reply)) == reply.size();
  if (!whole || (std::holds_alternative<WriteRequest>(request) && !repeats(done->sent, reply, tcp ? tcp_header : 1)))
    return judgement(EMBBADDATA, frame);
  return std::move(done->values);
}

// Unit, function, then by the function: how many bytes follow, or a fixed count; two bytes of checksum.
std::size_t rtu_reply_length(std::string_view received) {
  if (received.size() < 2) return 0;
  const unsigned function = byte_at(received, 1);
  if (function >= 0x80U) return 5;
  switch (function) {
    case 1:
    case 2:
    case 3:
    case 4: return received.size() < 3 ? 0 : 5 + byte_at(received, 2);
    case 5:
    case 6:
    case 16: return 8;
    default: return no_reply;
  }
}

std::size_t tcp_reply_length(std::string_view received) {
  if (received.size() >= 4 && (byte_at(received, 2) != 0 || byte_at(received, 3) != 0)) return no_reply;
  if (received.size() < 6) return 0;
  const std::size_t length = byte_at(received, 4) << 8U | byte_at(received, 5);
  // A unit and at least a function and a byte; at most the longest frame.
  return length < 3 || length + 6 > longest_frame ? no_reply : length + 6;
}

}  // namespace nightwell::modbus
