// The same in C++: names in namespaces, templates, classes inside of classes, bases, references.
#ifndef LINK_HPP
#define LINK_HPP

#include <stdint.h>

namespace link {

enum class Mode : uint8_t { idle, measuring = 7 };

struct Stamp {
    uint32_t seconds;
    uint16_t fraction;
};

class Frame : public Stamp {
public:
    enum Kind { plain, wide };
    struct Part {
        uint8_t first;
        Kind kind;
    };

    static uint32_t made;
    static constexpr uint32_t limit = 12;

    uint32_t total() const { return level + parts[0].first; }

    int16_t level;
    Part parts[3];
    Mode mode;

private:
    uint8_t hidden_ : 3;
    bool last_ : 1;
};

template <typename Item, unsigned Count>
struct Ring {
    Item items[Count];
    volatile unsigned written;
#ifdef EXTRA_FIELD
    volatile unsigned lost;
#endif
    unsigned taken;
};

using FrameRing = Ring<Frame, 4>;

inline namespace v2 {
struct Inner {
    Frame &frame;
    Stamp *stamps[2];
};
} // namespace v2

} // namespace link

#endif
