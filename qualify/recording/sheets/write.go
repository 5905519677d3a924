package sheets

import (
	"fmt"
	"io"

	"github.com/xuri/excelize/v2"
)

// maxCell is the most characters that a cell of a workbook may hold (ECMA-376
// leaves it to the program; 32,767 is what readers take).
const maxCell = 32_767

// Write writes a workbook of one sheet to w. Every cell is text, never a
// formula, and the first row stands fast when the sheet is scrolled. The error
// is that of w, or says which cell is too long.
func Write(w io.Writer, sheet string, rows [][]string) (err error) {
	f := excelize.NewFile()
	defer func() {
		if e := f.Close(); err == nil {
			err = e
		}
	}()
	if err := f.SetSheetName("Sheet1", sheet); err != nil {
		return fmt.Errorf("sheet %q: %w", sheet, err)
	}
	out, err := f.NewStreamWriter(sheet)
	if err != nil {
		return err
	}
	if err := out.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	for i, row := range rows {
		cells := make([]any, len(row))
		for j, text := range row {
			if len([]rune(text)) > maxCell {
				return fmt.Errorf("row %d, column %d: expected at most %d characters in a cell, found more; shorten the text", i+1, j+1, maxCell)
			}
			cells[j] = text
		}
		at, err := excelize.CoordinatesToCellName(1, i+1)
		if err != nil {
			return err
		}
		if err := out.SetRow(at, cells); err != nil {
			return err
		}
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return f.Write(w)
}
