"""A row of widgets that goes on in the next line where there is no room, for large letters and small screens."""

from PySide6.QtCore import QMargins, QPoint, QRect, QSize, Qt
from PySide6.QtWidgets import QLayout, QLayoutItem, QWidget


class Flow(QLayout):
    """See the module. Items keep their wished size; a line is as high as its highest item."""

    def __init__(self, parent: QWidget | None = None, gap: int = 6) -> None:
        super().__init__(parent)
        self._items: list[QLayoutItem] = []
        self._gap = gap

    def addItem(self, item: QLayoutItem) -> None:
        """Add at the end."""
        self._items.append(item)

    def count(self) -> int:
        """How many items."""
        return len(self._items)

    def itemAt(self, index: int) -> QLayoutItem | None:
        """An item, or None beyond the end."""
        return self._items[index] if 0 <= index < len(self._items) else None

    def takeAt(self, index: int) -> QLayoutItem | None:
        """Remove an item."""
        return self._items.pop(index) if 0 <= index < len(self._items) else None

    def expandingDirections(self) -> Qt.Orientation:
        """It wants no more room than it needs."""
        return Qt.Orientation(0)

    def hasHeightForWidth(self) -> bool:
        """The narrower, the higher."""
        return True

    def heightForWidth(self, width: int) -> int:
        """Height of all lines at a width."""
        return self._arrange(QRect(0, 0, width, 0), move=False)

    def setGeometry(self, rect: QRect) -> None:
        """Put every item in its place."""
        super().setGeometry(rect)
        self._arrange(rect, move=True)

    def sizeHint(self) -> QSize:
        """All in one line."""
        hints = [item.sizeHint() for item in self._items]
        m = self.contentsMargins()
        width = sum(h.width() for h in hints) + self._gap * max(0, len(hints) - 1) + m.left() + m.right()
        return QSize(width, max((h.height() for h in hints), default=0) + m.top() + m.bottom())

    def minimumSize(self) -> QSize:
        """The widest item has room."""
        size = QSize()
        for item in self._items:
            size = size.expandedTo(item.minimumSize())
        m: QMargins = self.contentsMargins()
        return size + QSize(m.left() + m.right(), m.top() + m.bottom())

    def _arrange(self, rect: QRect, *, move: bool) -> int:
        m = self.contentsMargins()
        inside = rect.adjusted(m.left(), m.top(), -m.right(), -m.bottom())
        x, y, line = inside.x(), inside.y(), 0
        for item in self._items:
            hint = item.sizeHint()
            if x > inside.x() and x + hint.width() > inside.right() + 1:
                x, y, line = inside.x(), y + line + self._gap, 0
            if move:
                item.setGeometry(QRect(QPoint(x, y), hint))
            x += hint.width() + self._gap
            line = max(line, hint.height())
        return y + line - rect.y() + m.bottom()
